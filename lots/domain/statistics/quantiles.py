"""Quantiles of Student's t and of chi-square as statistics of instruments use them, each in one place."""

from __future__ import annotations

import math
from statistics import NormalDist


def student(df: float, confidence: float) -> float:
    """Returns Student's t that leaves half of what the confidence does not hold beyond it on either side.

    Args:
        df: degrees of freedom, > 0, not necessarily whole; infinite for a standard deviation that is known, which gives the normal quantile.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: an argument is not such.

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
    """Returns the probability, 0..1, of a t as far from 0 on either side, if the true value is 0.

    Example:
        >>> round(student_p(-2.228, 10), 3)
        0.05
    """
    from scipy.special import stdtr

    return float(2 * stdtr(df, -abs(t)))


def f_p(f: float, df1: float, df2: float) -> float:
    """Returns the probability, 0..1, of a ratio of two variances as large as `f` or larger, if the true variances are equal.

    Example:
        >>> round(f_p(4.9646, 1, 10), 3)
        0.05
    """
    from scipy.special import fdtrc

    return float(fdtrc(df1, df2, f))


def variance_limits(df: float, confidence: float) -> tuple[float, float]:
    """Returns the ends of the exact interval for a variance, over its estimate, by chi-square: the low one below 1, the high one above.

    Args:
        df: degrees of freedom of the estimate, > 0.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: an argument is not such.

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
