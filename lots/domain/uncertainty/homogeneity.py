"""Cochran's test for equal variances, before they are pooled."""

from __future__ import annotations

from collections.abc import Sequence


def critical_share(df: float, df_all: float, groups: int, alpha: float = 0.05) -> float:
    """Returns Cochran's critical share: the part of all sums of squares that one variance exceeds with probability alpha / groups.

    Args:
        df: degrees of freedom of that variance, > 0.
        df_all: total degrees of freedom, > df.
        groups: number of variances, >= 2.
        alpha: 0 < alpha < 1.

    Reference:
        Cochran 1941, Annals of Eugenics 11, 47-52; for unequal degrees of freedom 't Lam 2010, Analytica Chimica Acta 659, 68-84 (from
        memory). Tabulated values are reproduced in the tests.

    Example:
        >>> round(critical_share(2, 10, 5), 3)
        0.684
    """
    from scipy.special import fdtri

    ratio = float(fdtri(df, df_all - df, 1 - alpha / groups))
    return 1 / (1 + (df_all / df - 1) / ratio)


def homogeneous(variances: Sequence[float], dfs: Sequence[float], alpha: float = 0.05) -> bool:
    """Returns whether the variances can be pooled, since none is too large in comparison with the others.

    Args:
        variances: >= 0.
        dfs: degrees of freedom of each, > 0.
        alpha: probability of False for equal variances.

    Notes:
        A variance that is too small does not prevent pooling, since the pooled one is larger.

    Example:
        >>> homogeneous([1.0, 1.2, 0.8], [2, 2, 2]), homogeneous([1.0, 1.2, 100.0], [2, 2, 2])
        (True, False)
    """
    if len(variances) < 2 or not any(variances):
        return True
    total = sum(dfs)
    squares = [df * variance for variance, df in zip(variances, dfs, strict=True)]
    whole = sum(squares)
    return all(
        square / whole <= critical_share(df, total, len(dfs), alpha) for square, df in zip(squares, dfs, strict=True)
    )
