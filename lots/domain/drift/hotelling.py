"""Hotelling's T²: multivariate distance from a baseline, its control limits, and the contributions of the variables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from lots.domain.drift.control_charts import as_series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.drift.control_charts import Series

    Table = Sequence[Sequence[float]] | NDArray[np.float64]

# Smallest eigenvalue of the correlation matrix that can be inverted reliably.
_OWN_VARIANCE_MIN = 1e-9


class OneSample(NamedTuple):
    """One-sample Hotelling test: T², its F value, and its p-value."""

    t2: float
    f: float
    p: float


def covariance(rows: Table) -> NDArray[np.float64]:
    """Returns the sample covariance matrix, with divisor n - 1.

    Args:
        rows: one row per observation, one column per variable; at least 2 rows.

    Returns:
        Square matrix, in the products of the variables' units.

    Raises:
        ValueError: fewer than 2 rows, rows of different length, or a value that is not finite.

    Reference:
        NIST/SEMATECH e-Handbook, 6.5.4.1.

    Example:
        >>> covariance([[6, 9], [10, 6], [8, 3]]).tolist()
        [[4.0, -3.0], [-3.0, 9.0]]
    """
    import numpy as np

    x = _table(rows, least=2)
    apart = x - x.mean(axis=0)
    return np.asarray(apart.T @ apart / (len(x) - 1))


def t_squared(rows: Table, mean: Series, covariance: Table) -> NDArray[np.float64]:
    """Returns T² of each row: its squared Mahalanobis distance from `mean`.

    Args:
        rows: one row per observation; may be a single one.
        mean, covariance: of the baseline, in the order of the columns.

    Returns:
        One number >= 0 per row, without unit.

    Raises:
        ValueError: sizes that do not match, a value that is not finite, or a covariance that is singular.

    Notes:
        Compare with phase1_limit for rows of the baseline, with phase2_limit for later rows.

    Reference:
        Hotelling 1947, Multivariate quality control; NIST/SEMATECH e-Handbook, 6.5.4.3.

    Example:
        >>> [round(t2, 3) for t2 in t_squared([[8, 6], [9, 5]], [8, 6], [[4, -3], [-3, 9]]).tolist()]
        [0.0, 0.259]
    """
    import numpy as np

    centre = as_series(mean, least=1, name="mean")
    x = _table(rows)
    _fits(x.shape[1], len(centre))
    apart = x - centre
    return np.asarray(np.einsum("ij,jk,ik->i", apart, _inverse(covariance, len(centre)), apart))


def phase1_limit(n: int, p: int, alpha: float) -> float:
    """Returns the phase I control limit of T², for rows of the baseline.

    Args:
        n: rows of the baseline, > p + 1.
        p: variables, >= 1.
        alpha: false alarm rate per row, 0 < alpha < 1.

    Raises:
        ValueError: too few rows, no variable, or alpha out of its range.

    Notes:
        A row contributes to its own mean and covariance, so its T² cannot exceed (n - 1)^2 / n.

    Reference:
        Tracy, Young and Mason 1992, Journal of Quality Technology 24(2), 88-95: (n - 1)^2 / n times a beta quantile.

    Example:
        >>> round(phase1_limit(20, 3, 0.01), 4)
        8.9901
    """
    from scipy.special import betaincinv

    _enough(n, p, p + 2, alpha)
    return (n - 1) ** 2 / n * float(betaincinv(p / 2, (n - p - 1) / 2, 1 - alpha))


def phase2_limit(n: int, p: int, alpha: float) -> float:
    """Returns the phase II control limit of T², for later rows.

    Args:
        n: rows of the baseline, > p.
        p: variables, >= 1.
        alpha: false alarm rate per row, 0 < alpha < 1.

    Raises:
        ValueError: too few rows, no variable, or alpha out of its range.

    Notes:
        With few rows the limit is wide, since mean and covariance are uncertain; it tends to the chi-square quantile.

    Reference:
        Tracy, Young and Mason 1992, Journal of Quality Technology 24(2), 88-95: p (n + 1)(n - 1) / (n (n - p)) F(p, n - p).

    Example:
        >>> round(phase2_limit(20, 3, 0.01), 4)
        18.2542
    """
    from scipy.special import fdtri

    _enough(n, p, p + 1, alpha)
    return p * (n + 1) * (n - 1) / (n * (n - p)) * float(fdtri(p, n - p, 1 - alpha))


def contributions(rows: Table, mean: Series, covariance: Table) -> NDArray[np.float64]:
    """Returns for each row and variable the decrease of T² without that variable.

    Args:
        rows: one row per observation; may be empty.
        mean, covariance: of the baseline, in the order of the columns.

    Returns:
        One row per observation: d_j = T² minus T² without variable j, each >= 0. Their sum is T² only for independent variables.

    Raises:
        ValueError: sizes that do not match, a value that is not finite, or a covariance that is singular.

    Notes:
        A large d_j means that variable j departs from its prediction by the others; its own value may be ordinary. A rough guide is the chi-square
        quantile with 1 degree of freedom. With C the inverse of the covariance and c = C times the departure, d_j = c_j^2 / C_jj, by the rule
        for the inverse of a partitioned matrix.

    Reference:
        Runger, Alt and Montgomery 1996, Communications in Statistics - Theory and Methods 25(10), 2203-2213.

    Example:
        >>> contributions([[3.0, 0.0], [1.0, 4.0]], [0.0, 0.0], [[1.0, 0.0], [0.0, 4.0]]).tolist()
        [[9.0, 0.0], [1.0, 4.0]]
    """
    import numpy as np

    centre = as_series(mean, least=1, name="mean")
    x = _table(rows, least=0)
    _fits(x.shape[1], len(centre))
    inverse = _inverse(covariance, len(centre))
    return np.asarray(np.einsum("ij,jk->ik", x - centre, inverse) ** 2 / inverse.diagonal())


def one_sample(rows: Table, mean0: Series) -> OneSample:
    """Returns the one-sample Hotelling test of the mean of `rows` against `mean0`: T², F with p and n - p degrees of freedom, and p-value.

    Args:
        rows: n rows of p variables, n > p.
        mean0: the hypothetical mean, in the order of the columns.

    Raises:
        ValueError: n <= p, sizes that do not match, a value that is not finite, or a covariance that is singular.

    Notes:
        Rows are independent and approximately normal. F = (n - p) / (p (n - 1)) T².

    Reference:
        Johnson and Wichern, Applied Multivariate Statistical Analysis, section 5.2, examples 5.1 and 5.2.

    Example:
        >>> [round(part, 4) for part in one_sample([[6, 9], [10, 6], [8, 3]], [9, 5])]
        [0.7778, 0.1944, 0.8485]
    """
    from scipy.special import fdtrc

    x = _table(rows, least=2)
    n, p = x.shape
    if n <= p:
        raise ValueError(f"{p} variables need more than {p} rows, got {n}")
    t2 = n * float(t_squared(x.mean(axis=0)[None, :], mean0, covariance(x))[0])
    f = (n - p) / (p * (n - 1)) * t2
    return OneSample(t2, f, float(fdtrc(p, n - p, f)))


def _table(rows: Table, least: int = 1) -> NDArray[np.float64]:
    """Returns rows as an array of finite numbers."""
    import numpy as np

    found = np.asarray(rows, dtype=float)
    if found.ndim != 2 or len(found) < least or found.shape[1] < 1:
        raise ValueError(f"rows must be at least {least}, of one or more variables each, got shape {found.shape}")
    if not np.isfinite(found).all():
        raise ValueError("every value in rows must be a finite number")
    return found


def _inverse(covariance: Table, p: int) -> NDArray[np.float64]:
    """Returns the inverse of a covariance matrix, computed from the correlations so that units do not matter."""
    import numpy as np

    matrix = _table(covariance)
    if matrix.shape != (p, p):
        raise ValueError(f"covariance must be {p} by {p} like the mean, got shape {matrix.shape}")
    variances = matrix.diagonal()
    if not (variances > 0).all():
        raise ValueError(f"the covariance is singular: variable {int(variances.argmin())} (from 0) does not vary")
    spread = np.sqrt(np.outer(variances, variances))
    correlation = matrix / spread
    if np.linalg.eigvalsh(correlation)[0] < _OWN_VARIANCE_MIN:
        raise ValueError(
            "the covariance is singular: a variable follows from the others; leave one out, or take more rows"
        )
    return np.asarray(np.linalg.inv(correlation) / spread)


def _fits(columns: int, p: int) -> None:
    """Raises an error for rows whose number of variables differs from the mean."""
    if columns != p:
        raise ValueError(f"rows must have as many variables as the mean, got {columns} and {p}")


def _enough(n: int, p: int, least: int, alpha: float) -> None:
    """Raises an error for a limit with too few rows or an invalid alpha."""
    if p < 1 or n < least:
        raise ValueError(f"{p} variables need a baseline of at least {max(least, 2)} rows, got {n}")
    if not 0 < alpha < 1:
        raise ValueError(f"alpha must lie between 0 and 1, got {alpha!r}")
