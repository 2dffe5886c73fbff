"""Quantiles and p-values of Student's t, chi-square and F."""

from __future__ import annotations

import math
from statistics import NormalDist


def student(df: float, confidence: float) -> float:
    """Returns the two-sided quantile of Student's t.

    Args:
        df: degrees of freedom, > 0, not necessarily whole; infinite for a known standard deviation, which gives the normal quantile.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: an argument out of its range.

    Reference:
        Student 1908, Biometrika 6, 1-25; NIST/SEMATECH e-Handbook 1.3.6.7.2.

    Example:
        >>> round(student(10, 0.95), 3), round(student(math.inf, 0.95), 3)
        (2.228, 1.96)
    """
    _refuse(df, confidence)
    if math.isinf(df):
        return NormalDist().inv_cdf((1 + confidence) / 2)
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + confidence) / 2))


def student_p(t: float, df: float) -> float:
    """Returns the two-sided p-value of Student's t, 0..1.

    Example:
        >>> round(student_p(-2.228, 10), 3)
        0.05
    """
    from scipy.special import stdtr

    return float(2 * stdtr(df, -abs(t)))


def f_p(f: float, df1: float, df2: float) -> float:
    """Returns the upper-tail p-value of the F distribution for a ratio of two variances, 0..1.

    Example:
        >>> round(f_p(4.9646, 1, 10), 3)
        0.05
    """
    from scipy.special import fdtrc

    return float(fdtrc(df1, df2, f))


def variance_limits(df: float, confidence: float) -> tuple[float, float]:
    """Returns the exact chi-square confidence limits of a variance, divided by its estimate: the lower below 1, the upper above.

    Args:
        df: degrees of freedom of the estimate, > 0.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: an argument out of its range.

    Reference:
        NIST/SEMATECH e-Handbook 1.3.5.8.

    Example:
        >>> tuple(round(end, 4) for end in variance_limits(10, 0.95))
        (0.4882, 3.0798)
    """
    from scipy.special import chdtri

    _refuse(df, confidence)
    tail = (1 - confidence) / 2
    return df / float(chdtri(df, tail)), df / float(chdtri(df, 1 - tail))


def _refuse(df: float, confidence: float) -> None:
    if not df > 0:
        raise ValueError(f"degrees of freedom are {df!r}; they must be above 0")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; it must be between 0 and 1")
