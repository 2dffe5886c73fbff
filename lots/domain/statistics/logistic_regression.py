"""Logistic regression of counts: the most likely parameters, whether there are any, and how well they fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Newton's steps roughly double the digits that are right; a fit that has a best place is there long before.
_ROUNDS = 60
# Half of this is by how much the log-likelihood could still rise.
_SETTLED = 1e-12
# Counts are taken to depart from the model only where chance would make them do so less often than this.
_UNLIKELY = 0.01


def parted(columns: Array, accepted: Array, judged: Array) -> bool:
    """True when some parameters part the accepted from the rejected, so that steeper is always more likely and no fit exists.

    Args:
        columns: one row per place, one column per parameter, each scaled to at most 1.
        accepted, judged: counts per place.

    Notes:
        They are parted when no accepted row lies on the wrong side of the parameters and no rejected one does, and at least one lies off
        the border: a linear programme. Touching at the border counts as parted too (quasi-complete separation).

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
    """Returns the parameters of greatest likelihood and their covariance; None when the search does not settle.

    Args:
        columns: one row per place, one column per parameter; the log odds of a place are row times parameters.
        accepted, judged: counts per place.

    Reference:
        McCullagh and Nelder 1989, Generalized Linear Models, 2.5 and 4.4: Newton's method, which for this model is Fisher's scoring; the
        covariance is the inverse of the information.

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
        # A step too far can be past the top; half of it often enough is not.
        for _ in range(_ROUNDS):
            if likelihood(place + step) >= before:
                break
            step = step / 2
        place = place + step
    return None


def lack_of_fit(odds: Array, accepted: Array, judged: Array, unknowns: int) -> tuple[float, float | None]:
    """Returns how many times the counts scatter more about the fit than chance makes them, and how likely chance alone is.

    Args:
        odds: fitted log odds per place.
        accepted, judged: counts per place.
        unknowns: parameters that were fitted.

    Returns:
        (dispersion, p). The dispersion is Pearson's chi-square over its degrees of freedom where p is below 0.01, else 1: so a fit that is no worse
        than chance allows is not called better or worse. p is None, and the dispersion 1, where nothing is left to tell.

    Notes:
        With a few judgements per place the chi-square is rough; with one it says nothing.

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
