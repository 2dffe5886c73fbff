"""Small statistics that carry their uncertainty with them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import NormalDist, stdev

Vector = tuple[float, ...]


def worst_known(values: Iterable[float | None]) -> float | None:
    """Returns the largest of some uncertainties, or None where one of them is unknown or there is none.

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

    Scatter over the rows divided by the root of their number is combined, as a root sum of squares, with the instrument's own
    standard uncertainty, which repeating does not reduce.

    Args:
        rows: repeated measurements, each of the same length.
        instrument: standard uncertainty of the instrument, in the unit of the rows, >= 0; None when unknown.
        resolution: smallest step that the instrument shows, in the unit of the rows, > 0; None when unknown. Repeats that scatter less than
            a step may hide are taken as uncertain by that step, which repeating does not reduce.

    Returns:
        One value per column; None when there is neither a second row nor an instrument to tell. 0 where rows are equal and nothing else is known.

    Reference:
        JCGM 100:2008 (GUM), 4.2.3 and 5.1.2; F.2.2.1 for the resolution: a step of r hides a standard uncertainty of r / sqrt(12).

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
    """Returns the standard uncertainty of the mean of values that come in groups, and the part of it that is scatter.

    Repeats on one spool are not independent news about a lot. The scatter is the larger of two: of all values over the root of their
    number, and of the groups' means over the root of theirs.

    Args:
        groups: values per spool, each with at least one.
        instrument, resolution: see standard_error.

    Returns:
        (total, scatter), each None when nothing is there to tell it.

    Reference:
        JCGM 100:2008, 4.2.3; nested scatter as in any text on analysis of variance.

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
    """Returns the exact one-sided upper bound on a Poisson mean after seeing `count` events.

    Args:
        count: events seen, >= 0.
        confidence: 0 < confidence < 1.

    Returns:
        The mean at which seeing `count` or fewer has probability 1 - confidence. For no events at 95 %, 2.996: the rule of three.

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
    """Returns the exact one-sided lower bound on a Poisson mean after seeing `count` events: 0 without any.

    Args:
        count: events seen, >= 0.
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
    """Returns the confidence that a Poisson mean is at most `mean` after seeing `count` events: the inverse of poisson_upper.

    Example:
        >>> round(poisson_below(0, 2.9957), 4)
        0.95
    """
    from scipy.special import gammainc

    return float(gammainc(count + 1, mean))


def poisson_at_least(count: int, mean: float) -> float:
    """Returns the probability of `count` events or more where a Poisson mean is `mean`.

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
    """Returns the probability below `z` standard deviations of a normal distribution: 1.645 gives 0.95."""
    return NormalDist().cdf(z)
