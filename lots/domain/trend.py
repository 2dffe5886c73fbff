"""Trend without a distribution: the Mann-Kendall test of whether there is one, and the Theil-Sen slope of how steep it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

from lots.domain.charts import as_series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.charts import Array, Series

    Counts = NDArray[np.int64]

# Up to this many points every pair gives a slope: half a million of them. Beyond, each point takes part in one pair.
COMPLETE_UP_TO = 1000


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann-Kendall test.

    Args:
        s: pairs that rise less pairs that fall; positive: values grow with time.
        variance: of s when there is no trend, corrected for ties, >= 0.
        z: s in standard deviations, brought nearer 0 by 1 for continuity.
        p: two-sided probability of an s as far from 0 by chance, 0..1.
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
            raise ValueError(f"no result of a trend test: {self!r}")


@dataclass(frozen=True, slots=True)
class TheilSen:
    """A slope with its interval.

    Args:
        slope: change of the value per unit of time; positive: it grows.
        low, high: ends of the interval; both None when so few pairs cannot give one at this confidence (4 points at 95 %).
        intercept: value of the line at time 0.
        n: points, >= 3.
        confidence: of the interval, 0..1, two-sided.
        method: "complete" when every pair was taken, "incomplete" when each point was in at most one.

    Raises:
        ValueError: the interval does not hold the slope, or n < 3.
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
            raise ValueError(f"the interval of a slope must hold the slope, got {self!r}")
        if self.n < 3 or (self.low is None) != (self.high is None):
            raise ValueError(f"a slope needs 3 points and both ends of its interval or neither, got {self!r}")


def mann_kendall(values: Series) -> MannKendall:
    """Returns whether values tend to rise or fall in the order in which they stand.

    Args:
        values: in time order, any unit, at least 3; steps of time need not be equal.

    Raises:
        ValueError: fewer than 3 values, or one that is not finite.

    Notes:
        Values are independent but for the trend: a series in which neighbours resemble each other looks like one. The normal distribution
        of s is good from about 10 values on (Kendall 1975); below, p is rough. Only equal numbers count as tied.

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
    _, ranks, ties = np.unique(x, return_inverse=True, return_counts=True)
    s = _rising_less_falling(ranks)
    variance = _variance(x, np.arange(n, dtype=float))
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s else 0.0
    pairs = n * (n - 1) // 2
    untied = pairs - int(ties @ (ties - 1)) // 2
    tau = s / math.sqrt(pairs * untied) if untied else 0.0
    return MannKendall(s, variance, z, math.erfc(abs(z) / math.sqrt(2)), tau, n)


def theil_sen(values: Series, times: Series | None = None, confidence: float = 0.95) -> TheilSen:
    """Returns the median of the slopes between points, which a few wild points hardly move.

    Up to 1000 points every pair is taken (complete method) and the interval is Sen's. With more, time is cut in half and each point of
    the first half is paired with one of the second, the middle one of an odd number left out (Theil's incomplete method); these slopes are
    independent, so the interval is that of the sign test. It is somewhat wider, and the work stays about linear.

    Args:
        values: any unit, at least 3.
        times: of the values, in any order; 0, 1, 2, ... when None. Points of one time give no slope between them.
        confidence: two-sided, 0 < confidence < 1.

    Returns:
        Slope and its ends in value per unit of time; the line goes through the median time and the median value.

    Raises:
        ValueError: fewer than 3 points, sizes that differ, a number that is not finite, no two times that differ, confidence out of range.

    Notes:
        Scatter about the line is independent and alike at all times; it need not be normal. Sen's interval rests on the normal
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
    complete = len(y) <= COMPLETE_UP_TO
    slopes = _slopes(y, t, *(np.triu_indices(len(y), 1) if complete else _halves(t)))
    if not len(slopes):
        raise ValueError("a slope needs two points of different times")
    ends = _sen_ends(len(slopes), y, t, confidence) if complete else _sign_test_ends(len(slopes), confidence)
    low, high = (None, None) if ends is None else (float(slopes[ends[0]]), float(slopes[ends[1]]))
    slope = float(np.median(slopes))
    intercept = float(np.median(y)) - slope * float(np.median(t))
    return TheilSen(slope, low, high, intercept, len(y), confidence, "complete" if complete else "incomplete")


def _rising_less_falling(ranks: Counts) -> int:
    """Counts pairs that rise less pairs that fall, in about n log n steps.

    Of two different ranks the larger has a 1 where, read from the highest bit, they first differ. So ranks are taken bit by bit. All with
    the same higher bits stand together, in time order; each 1 after a 0 of its group is a pair that rises, each 0 after a 1 one that
    falls. Then zeros go before ones within each group, and the next bit is taken. Equal ranks never differ and count for nothing.
    """
    import numpy as np

    places = np.arange(len(ranks))
    s = 0
    for bit in reversed(range(int(ranks.max()).bit_length())):
        group, one = ranks >> (bit + 1), (ranks >> bit) & 1
        sizes, ones = np.bincount(group), np.bincount(group, weights=one).astype(np.int64)
        start = (np.cumsum(sizes) - sizes)[group]
        ones_before = np.cumsum(one) - one - (np.cumsum(ones) - ones)[group]
        zeros_before = places - start - ones_before
        s += int(np.where(one == 1, zeros_before, -ones_before).sum())
        target = start + np.where(one == 1, (sizes - ones)[group] + ones_before, zeros_before)
        ranks = _moved(ranks, target)
    return s


def _moved(ranks: Counts, target: Counts) -> Counts:
    """Each rank at its new place."""
    import numpy as np

    moved = np.empty_like(ranks)
    moved[target] = ranks
    return moved


def _tie_term(counts: Counts) -> int:
    """The sum of t (t - 1)(2 t + 5) over groups of t equal values, in whole numbers of any size."""
    return sum(t * (t - 1) * (2 * t + 5) for t in counts[counts > 1].tolist())


def _slopes(y: Array, t: Array, first: Counts, second: Counts) -> Array:
    """Slopes between pairs of points of different times, smallest first."""
    import numpy as np

    rise, run = y[second] - y[first], t[second] - t[first]
    return np.sort(rise[run != 0] / run[run != 0])


def _halves(t: Array) -> tuple[Counts, Counts]:
    """Pairs of the first half of time with the second, in order; an odd number leaves out the middle point."""
    import numpy as np

    order = np.argsort(t, kind="stable")
    half = len(t) // 2
    return order[:half], order[len(t) - half :]


def _sen_ends(pairs: int, y: Array, t: Array, confidence: float) -> tuple[int, int] | None:
    """Places of the ends of Sen's interval among the sorted slopes; None when they lie outside."""
    half_width = NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(_variance(y, t))
    low, high = round((pairs - half_width) / 2) - 1, round((pairs + half_width) / 2)
    return (low, high) if low >= 0 and high < pairs else None


def _variance(y: Array, t: Array) -> float:
    """Variance of Kendall's statistic without trend, with ties among values and among times (Kendall 1975, Rank Correlation Methods)."""
    import numpy as np

    n = len(y)
    counts = [np.unique(part, return_counts=True)[1] for part in (y, t)]
    twos = [int(ties @ (ties - 1)) for ties in counts]
    threes = [int((ties * (ties - 1)) @ (ties - 2)) for ties in counts]
    untied = (_tie_term(np.array([n])) - sum(map(_tie_term, counts))) / 18
    return untied + math.prod(threes) / (9 * n * (n - 1) * (n - 2)) + math.prod(twos) / (2 * n * (n - 1))


def _sign_test_ends(pairs: int, confidence: float) -> tuple[int, int] | None:
    """Places of the ends of the sign test's interval among so many independent slopes; None when there are too few."""
    import numpy as np
    from scipy.special import bdtr

    # How many slopes may lie on one side of the true one without being too few: each does with probability 1/2.
    too_few = int((bdtr(np.arange(pairs // 2), pairs, 0.5) <= (1 - confidence) / 2).sum())
    return (too_few - 1, pairs - too_few) if too_few else None
