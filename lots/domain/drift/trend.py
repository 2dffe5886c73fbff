"""Nonparametric trend: the Mann-Kendall test and the Theil-Sen slope."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

from lots.domain.drift.control_charts import as_series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.drift.control_charts import Array, Series

    Counts = NDArray[np.int64]

# Significance level of the Mann-Kendall test. Common practice, no source.
TREND_ALPHA = 0.01
# Most points for the complete method (half a million pairs). Beyond, each point is used in one pair.
COMPLETE_UP_TO = 1000
# Block size that fits the processor's cache. Any power of two gives the same count.
_AT_ONCE = 1 << 14


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann-Kendall test.

    Args:
        s: rising pairs minus falling pairs; positive: values increase with time.
        variance: of s without a trend, corrected for ties, >= 0.
        z: s in standard deviations, with continuity correction.
        p: two-sided p-value, 0..1.
        tau: Kendall's tau-b, -1..1; 0 when all values are equal.
        n: values, >= 3.

    Raises:
        ValueError: a number outside its range.
    """

    s: int
    variance: float
    z: float
    p: float
    tau: float
    n: int

    def __post_init__(self) -> None:
        if self.n < 3 or not self.variance >= 0 or not 0 <= self.p <= 1 or not abs(self.tau) <= 1 + 1e-12:
            raise ValueError(f"invalid result of a trend test: {self!r}")


@dataclass(frozen=True, slots=True)
class TheilSen:
    """Theil-Sen slope with its confidence interval.

    Args:
        slope: change of the value per unit of time.
        low, high: confidence limits; both None when there are too few pairs for this confidence (4 points at 95 %).
        intercept: value of the line at time 0.
        n: points, >= 3.
        confidence: of the interval, 0..1, two-sided.
        method: "complete" with all pairs, "incomplete" with each point in at most one.

    Raises:
        ValueError: the interval does not include the slope, or n < 3.
    """

    slope: float
    low: float | None
    high: float | None
    intercept: float
    n: int
    confidence: float
    method: Literal["complete", "incomplete"]

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and not self.low <= self.slope <= self.high:
            raise ValueError(f"the interval of a slope must include the slope, got {self!r}")
        if self.n < 3 or (self.low is None) != (self.high is None):
            raise ValueError(f"a slope needs 3 points and both confidence limits or neither, got {self!r}")


def mann_kendall(values: Series) -> MannKendall:
    """Returns the Mann-Kendall test for a monotonic trend.

    Args:
        values: in time order, any unit, at least 3; time steps need not be equal.

    Raises:
        ValueError: fewer than 3 values, or one that is not finite.

    Notes:
        Assumes independence apart from the trend: autocorrelation resembles a trend. The normal approximation of s is good from about 10
        values on (Kendall 1975); below, p is rough. Only equal numbers count as tied.

    Reference:
        Mann 1945, Econometrica 13, 245-259; Kendall 1975, Rank Correlation Methods; with ties as in Gilbert 1987, Statistical Methods
        for Environmental Pollution Monitoring, section 16.4.

    Example:
        >>> found = mann_kendall([1, 2, 4, 3, 5, 6])
        >>> found.s, round(found.variance, 2), round(found.z, 3), round(found.tau, 3)
        (13, 28.33, 2.254, 0.867)
    """
    import numpy as np

    x = as_series(values, least=3)
    n = len(x)
    order = np.argsort(x)
    ties = _ties(x[order])
    if len(ties):
        # A stable sort counts tied pairs as rising.
        order = np.argsort(x, kind="stable")
    pairs, tied = math.comb(n, 2), int(ties @ (ties - 1)) // 2
    s = pairs - tied - 2 * _falling(order)
    variance = _variance(n, ties, ties[:0])
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s else 0.0
    untied = pairs - tied
    tau = s / math.sqrt(pairs * untied) if untied else 0.0
    return MannKendall(s, variance, z, math.erfc(abs(z) / math.sqrt(2)), tau, n)


def theil_sen(values: Series, times: Series | None = None, confidence: float = 0.95) -> TheilSen:
    """Returns the Theil-Sen slope, the median of the slopes between points, which is robust against outliers.

    Up to 1000 points every pair is used (complete method) and the interval is Sen's. With more, each point of the first half is paired with one
    of the second, without the middle one of an odd number (Theil's incomplete method). These slopes are independent, so the interval is that of
    the sign test. It is somewhat wider, and the computing time stays about linear.

    Args:
        values: any unit, at least 3.
        times: of the values, in any order; 0, 1, 2, ... when None. Points with equal times give no slope.
        confidence: two-sided, 0 < confidence < 1.

    Returns:
        Slope and its limits in value per unit of time; the line goes through the median time and the median value.

    Raises:
        ValueError: fewer than 3 points, sizes that differ, a number that is not finite, no two times that differ, confidence out of range.

    Notes:
        Assumes independent, identically distributed errors about the line; they need not be normal. Sen's interval uses the normal
        approximation of Kendall's statistic.

    Reference:
        Theil 1950, Indagationes Mathematicae 12, 85-91, 173-177, 467-482; Sen 1968, Journal of the American Statistical Association
        63, 1379-1389.

    Example:
        >>> found = theil_sen([1.0, 3.0, 5.0, 7.0, 50.0, 11.0])
        >>> found.slope, found.intercept, found.method
        (2.0, 1.0, 'complete')
    """
    import numpy as np

    y = as_series(values, least=3)
    t = np.arange(len(y), dtype=float) if times is None else as_series(times, name="times")
    if len(t) != len(y):
        raise ValueError(f"every value needs a time, got {len(y)} values and {len(t)} times")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence!r}")
    if times is not None:
        order = np.argsort(t, kind="stable")
        y, t = y[order], t[order]
    if complete := len(y) <= COMPLETE_UP_TO:
        slopes = _slopes(np.subtract.outer(y, y), np.subtract.outer(t, t))
    else:
        half = len(y) // 2
        slopes = _slopes(y[-half:] - y[:half], t[-half:] - t[:half])
    if not len(slopes):
        raise ValueError("a slope needs two points of different times")
    ends = _sen_ends(len(slopes), y, t, confidence) if complete else _sign_test_ends(len(slopes), confidence)
    low, high = (None, None) if ends is None else (float(slopes[ends[0]]), float(slopes[ends[1]]))
    slope = _middle(slopes)
    intercept = float(np.median(y)) - slope * _middle(t)
    return TheilSen(slope, low, high, intercept, len(y), confidence, "complete" if complete else "incomplete")


def _falling(order: Counts) -> int:
    """Returns the number of falling pairs (inversions), in about n log n steps.

    Args:
        order: time indices, 0 to n - 1, sorted by their values.

    Notes:
        A radix sort from the highest bit. Of two indices the later has a 1 at the highest bit in which they differ. Indices with equal higher bits
        form a group; those with a 0 are moved before those with a 1, in stable order. An index with a 1 moves by one place for every earlier index
        of its group behind it, and these moves are counted.
    """
    import numpy as np

    places, n = order.astype(np.int32), len(order)
    falling = 0
    for bit in reversed(range((n - 1).bit_length())):
        size = max(2 << bit, _AT_ONCE)
        to_early, to_late = _by_bit(np.arange(min(size, n), dtype=np.int32), bit)
        for start in range(0, n, size):
            part = places[start : start + size]
            early, late = _by_bit(part, bit)
            falling += int(to_late[: len(late)].sum() - late.sum())
            part[to_early[: len(early)]], part[to_late[: len(late)]] = part[early], part[late]
    return falling


def _by_bit(numbers: NDArray[np.int32], bit: int) -> tuple[Counts, Counts]:
    """Returns the positions of the numbers with bit 0, and of those with bit 1."""
    one = (numbers & (1 << bit)) != 0
    return (~one).nonzero()[0], one.nonzero()[0]


def _ties(ordered: Array) -> Counts:
    """Returns the sizes of groups of equal values in a sorted array."""
    import numpy as np

    as_before = np.concatenate([[False], ordered[1:] == ordered[:-1], [False]])
    first, last = (as_before[1:] != as_before[:-1]).nonzero()[0].reshape(-1, 2).T
    return np.asarray(last - first + 1)


def _middle(ordered: Array) -> float:
    """Returns the median of a sorted array."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def _tie_term(counts: Counts) -> int:
    """Returns the sum of t (t - 1)(2 t + 5) over groups of t equal values, in integers of any size."""
    return sum(t * (t - 1) * (2 * t + 5) for t in counts.tolist())


def _slopes(rise: Array, run: Array) -> Array:
    """Returns the sorted slopes between pairs of points, each pair once with increasing time; pairs with equal times are left out."""
    import numpy as np

    forward = run > 0
    return np.sort(rise[forward] / run[forward])


def _sen_ends(pairs: int, y: Array, t: Array, confidence: float) -> tuple[int, int] | None:
    """Returns the indices of Sen's confidence limits among the sorted slopes; None when they are out of range."""
    import numpy as np

    deviation = math.sqrt(_variance(len(y), _ties(np.sort(y)), _ties(t)))
    half_width = NormalDist().inv_cdf((1 + confidence) / 2) * deviation
    low, high = round((pairs - half_width) / 2) - 1, round((pairs + half_width) / 2)
    return (low, high) if low >= 0 and high < pairs else None


def _variance(n: int, *counts: Counts) -> float:
    """Returns the variance of Kendall's statistic without trend, with ties among values and among times (Kendall 1975, Rank Correlation Methods)."""
    import numpy as np

    twos = [int(ties @ (ties - 1)) for ties in counts]
    threes = [int((ties * (ties - 1)) @ (ties - 2)) for ties in counts]
    untied = (_tie_term(np.array([n])) - sum(map(_tie_term, counts))) / 18
    return untied + math.prod(threes) / (9 * n * (n - 1) * (n - 2)) + math.prod(twos) / (2 * n * (n - 1))


def _sign_test_ends(pairs: int, confidence: float) -> tuple[int, int] | None:
    """Returns the indices of the sign test's confidence limits among independent slopes; None when there are too few."""
    from scipy.special import bdtr

    # Each slope lies on either side of the true one with probability 1/2.
    too_few = bisect_right(range(pairs // 2), (1 - confidence) / 2, key=lambda fewer: float(bdtr(fewer, pairs, 0.5)))
    return (too_few - 1, pairs - too_few) if too_few else None
