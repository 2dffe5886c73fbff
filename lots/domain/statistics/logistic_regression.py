"""Logistic regression of counts: separation, maximum likelihood, and Pearson's goodness of fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Most Newton steps. Convergence is quadratic, so an existing maximum is reached in far fewer.
_ROUNDS = 60
# Convergence: twice the remaining increase of the log-likelihood.
_SETTLED = 1e-12
# Significance level of the goodness-of-fit test.
_UNLIKELY = 0.01


def parted(columns: Array, accepted: Array, judged: Array) -> bool:
    """Returns whether the data are separated, so that no maximum likelihood estimate exists.

    Args:
        columns: one row per stimulus, one column per parameter, each scaled to at most 1.
        accepted, judged: counts per stimulus.

    Notes:
        The data are separated if a linear predictor has no accepted row below 0 and no rejected row above 0, and is not 0 for all rows: a
        linear programme. Quasi-complete separation counts as separation.

    Reference:
        Albert and Anderson 1984, Biometrika 71, 1-10.

    Example:
        >>> import numpy as np
        >>> line = np.array([[1, -1.0], [1, 0.0], [1, 1.0]])
        >>> parted(line, np.array([0, 1, 2]), np.array([2, 2, 2])), parted(line, np.array([1, 1, 2]), np.array([2, 2, 2]))
        (True, False)
    """
    import numpy as np
    from scipy.optimize import linprog

    sides = np.concatenate([columns[accepted > 0], -columns[accepted < judged]])
    found = linprog(-sides.sum(axis=0), A_ub=-sides, b_ub=np.zeros(len(sides)), bounds=[(-1, 1)] * columns.shape[1])
    return not found.success or -found.fun > 1e-7


def most_likely(columns: Array, accepted: Array, judged: Array) -> tuple[Array, Array] | None:
    """Returns the maximum likelihood estimate and its covariance; None without convergence.

    Args:
        columns: one row per stimulus, one column per parameter; the log odds of a stimulus are row times parameters.
        accepted, judged: counts per stimulus.

    Reference:
        McCullagh and Nelder 1989, Generalized Linear Models, 2.5 and 4.4: Newton's method, which for this model is Fisher scoring; the
        covariance is the inverse of the information matrix.

    Example:
        >>> import numpy as np
        >>> parameters, covariance = most_likely(np.ones((1, 1)), np.array([8.0]), np.array([10.0]))
        >>> round(float(parameters[0]), 4), round(float(covariance[0, 0]), 4)
        (1.3863, 0.625)
    """
    import numpy as np
    from scipy.special import expit, log_expit

    def likelihood(at: Array) -> float:
        odds = columns @ at
        return float(accepted @ log_expit(odds) + (judged - accepted) @ log_expit(-odds))

    place = np.zeros(columns.shape[1])
    for _ in range(_ROUNDS):
        p = expit(columns @ place)
        information = (columns * (judged * p * (1 - p))[:, None]).T @ columns
        try:
            inverse = np.linalg.inv(information)
        except np.linalg.LinAlgError:
            return None
        slope = columns.T @ (accepted - judged * p)
        step = inverse @ slope
        if slope @ step <= _SETTLED:
            return place + step, inverse
        before = likelihood(place)
        # Step halving, because a full step may decrease the likelihood.
        for _ in range(_ROUNDS):
            if likelihood(place + step) >= before:
                break
            step = step / 2
        place = place + step
    return None


def lack_of_fit(odds: Array, accepted: Array, judged: Array, unknowns: int) -> tuple[float, float | None]:
    """Returns the dispersion of the counts about the fit, and the p-value of Pearson's chi-square test.

    Args:
        odds: fitted log odds per stimulus.
        accepted, judged: counts per stimulus.
        unknowns: number of fitted parameters.

    Returns:
        (dispersion, p). The dispersion is Pearson's chi-square over its degrees of freedom where p is below 0.01, else 1. p is None, and the
        dispersion 1, without degrees of freedom.

    Notes:
        The chi-square approximation is rough with a few judgements per stimulus, and meaningless with one.

    Reference:
        McCullagh and Nelder 1989, Generalized Linear Models, 4.5.

    Example:
        >>> import numpy as np
        >>> lack_of_fit(np.zeros(2), np.array([1.0, 9.0]), np.array([10.0, 10.0]), 1)[0]
        12.8
    """
    from scipy.special import chdtrc, expit

    df = len(odds) - unknowns
    if df < 1:
        return 1.0, None
    p = expit(odds)
    pearson = float((((accepted - judged * p) ** 2) / (judged * p * (1 - p))).sum())
    by_chance = float(chdtrc(df, pearson))
    return (pearson / df if by_chance < _UNLIKELY else 1.0), by_chance
