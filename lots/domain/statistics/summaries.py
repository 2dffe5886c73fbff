"""Standard uncertainties of means, and exact Poisson bounds."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import NormalDist, stdev

Vector = tuple[float, ...]


def worst_known(values: Iterable[float | None]) -> float | None:
    """Returns the largest of some uncertainties; None where one is unknown or the list is empty.

    Example:
        >>> worst_known([0.002, 0.004]), worst_known([0.002, None]), worst_known([])
        (0.004, None, None)
    """
    found = list(values)
    known = [value for value in found if value is not None]
    return max(known) if known and len(known) == len(found) else None


def standard_error(
    rows: Sequence[Sequence[float]], instrument: float | None, resolution: float | None = None
) -> Vector | None:
    """Returns the standard uncertainty of the mean of `rows`, column by column.

    The standard error of the rows (standard deviation over root n) and the standard uncertainty of the instrument, which replication does not
    reduce, are combined as a root sum of squares.

    Args:
        rows: repeated measurements, each of the same length.
        instrument: standard uncertainty of the instrument, in the unit of the rows, >= 0; None when unknown.
        resolution: resolution of the instrument, in the unit of the rows, > 0; None when unknown. The standard error is at least that of the
            resolution, which replication does not reduce.

    Returns:
        One value per column; None with one row and an unknown instrument; 0 for equal rows without other information.

    Reference:
        JCGM 100:2008 (GUM), 4.2.3 and 5.1.2; F.2.2.1 for the resolution: a step of r gives a standard uncertainty of r / sqrt(12).

    Example:
        >>> standard_error([[1.0], [3.0]], None)
        (1.0,)
    """
    n = len(rows)
    if n < 2 and instrument is None:
        return None
    own, step = instrument or 0.0, (resolution or 0.0) / math.sqrt(12)
    columns = list(zip(*rows, strict=True))
    return tuple(math.hypot(max(stdev(column) / math.sqrt(n), step) if n > 1 else 0.0, own) for column in columns)


def mean_uncertainty(
    values: Sequence[float], instrument: float | None, resolution: float | None = None
) -> float | None:
    """Returns the standard uncertainty of the mean of `values`; see standard_error."""
    found = standard_error([[value] for value in values], instrument, resolution)
    return None if found is None else found[0]


def nested_uncertainty(
    groups: Sequence[Sequence[float]], instrument: float | None, resolution: float | None = None
) -> tuple[float | None, float | None]:
    """Returns the standard uncertainty of the mean of nested values, and its standard error alone.

    Replicates on one spool are not independent observations of a lot. The standard error is the larger of that of all values and that of the
    group means.

    Args:
        groups: values per spool, each with at least one.
        instrument, resolution: see standard_error.

    Returns:
        (total, standard error), each None where unknown.

    Reference:
        JCGM 100:2008, 4.2.3; nested designs as in any text on analysis of variance.

    Example:
        >>> nested_uncertainty([[1.0, 1.0], [3.0, 3.0]], None)
        (1.0, 1.0)
    """
    pooled = mean_uncertainty([value for group in groups for value in group], None, resolution)
    between = mean_uncertainty([math.fsum(group) / len(group) for group in groups], None, resolution)
    scatter = max((part for part in (pooled, between) if part is not None), default=None)
    if scatter is None and instrument is None:
        return None, None
    return math.hypot(scatter or 0.0, instrument or 0.0), scatter


def poisson_upper(count: int, confidence: float) -> float:
    """Returns the exact one-sided upper confidence bound of a Poisson mean after `count` events.

    Args:
        count: observed events, >= 0.
        confidence: 0 < confidence < 1.

    Returns:
        The mean for which `count` or fewer events have probability 1 - confidence. For no events at 95 %, 2.996: the rule of three.

    Reference:
        Garwood 1936, Biometrika 28, 437-442: half the chi-square quantile with 2(count + 1) degrees of freedom, which is the
        inverse of the regularised gamma function.

    Example:
        >>> round(poisson_upper(0, 0.95), 4)
        2.9957
    """
    from scipy.special import gammaincinv

    return float(gammaincinv(count + 1, confidence))


def poisson_lower(count: int, confidence: float) -> float:
    """Returns the exact one-sided lower confidence bound of a Poisson mean after `count` events; 0 without any.

    Args:
        count: observed events, >= 0.
        confidence: 0 < confidence < 1.

    Reference:
        Garwood 1936, as for poisson_upper.

    Example:
        >>> round(poisson_lower(1, 0.95), 4)
        0.0513
    """
    if not count:
        return 0.0
    from scipy.special import gammaincinv

    return float(gammaincinv(count, 1 - confidence))


def poisson_below(count: int, mean: float) -> float:
    """Returns the confidence that a Poisson mean is at most `mean` after `count` events: the inverse of poisson_upper.

    Example:
        >>> round(poisson_below(0, 2.9957), 4)
        0.95
    """
    from scipy.special import gammainc

    return float(gammainc(count + 1, mean))


def poisson_at_least(count: int, mean: float) -> float:
    """Returns the probability of `count` or more events of a Poisson distribution with this mean.

    Reference:
        Garwood 1936, as for poisson_upper: the gamma distribution gives the tail of the Poisson distribution.

    Example:
        >>> round(poisson_at_least(4, 2.0), 4)
        0.1429
    """
    if not count:
        return 1.0
    from scipy.special import gammainc

    return float(gammainc(count, mean))


def one_sided_confidence(z: float) -> float:
    """Returns the standard normal distribution function at `z`: 1.645 gives 0.95."""
    return NormalDist().cdf(z)
