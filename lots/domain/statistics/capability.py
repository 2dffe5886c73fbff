"""Process capability: how a supplier's spools sit between two limits, with an interval that says how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lots.domain.statistics.proportions import Interval

# Beyond this the noncentral t routine loses digits, and sigma's own uncertainty is all that counts.
_FAR = 1000.0


@dataclass(frozen=True, slots=True)
class Capability:
    """Capability indices, without unit.

    Args:
        cp: width between the limits over six sigma, None where there is but one limit.
        lower: distance of the mean from the low limit over three sigma (CPL), negative beyond it; None where there is no low limit.
        upper: the same for the high limit (CPU).
        cpk: the smaller of the two.
        interval: for cpk.
        expected_outside: fraction of spools outside the limits, 0..1, if they are normally distributed.
    """

    cp: float | None
    lower: float | None
    upper: float | None
    cpk: float
    interval: Interval
    expected_outside: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.cpk) or self.cpk != min(i for i in (self.lower, self.upper) if i is not None):
            raise ValueError(f"cpk is {self.cpk!r}; it must be the smaller of {self.lower!r} and {self.upper!r}")


def capability(
    mean: float,
    sigma: float,
    df: float,
    n_effective: float,
    low: float | None,
    high: float | None,
    confidence: float = 0.95,
) -> Capability:
    """Returns the capability indices of a mean and a standard deviation between limits.

    Args:
        mean: as estimated, any unit.
        sigma: standard deviation of one spool as estimated, in the unit of the mean, > 0.
        df: degrees of freedom that sigma rests on, > 0, not necessarily whole.
        n_effective: sigma^2 over the variance of the mean, > 0: the number of spools if they were independent, less where they come in lots,
            as `components` gives it for its `total`.
        low, high: limits in the same unit, at least one given, low < high.
        confidence: of the interval for cpk, 0 < confidence < 1.

    Raises:
        ValueError: an argument is not such.

    Notes:
        For a normal distribution. With one limit the interval is exact: each end is good to 0.0001 of its probability, 0.0011 where the mean
        lies almost on its limit (compared with numerical integration). With two it has at least the stated confidence: see `_nearer`.

    Reference:
        Indices: NIST/SEMATECH e-Handbook 6.1.6. Interval: sqrt(n) * 3 * CPL is noncentral t with noncentrality sqrt(n) * 3 * (true CPL)
        (Kotz and Johnson 1993, Process Capability Indices, chapter 2).

    Example:
        >>> found = capability(31.4, 2.2, 14, 15, 25.0, None)
        >>> round(found.cpk, 3), round(found.interval.low, 3), round(found.interval.high, 3)
        (0.97, 0.573, 1.36)
    """
    for name, value in (("sigma", sigma), ("df", df), ("n_effective", n_effective)):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} is {value!r}; it must be a number above 0")
    if not math.isfinite(mean):
        raise ValueError(f"mean is {mean!r}; it must be a number")
    if low is None and high is None:
        raise ValueError("capability needs a limit")
    if low is not None and high is not None and not low < high:
        raise ValueError(f"the limits go from {low!r} to {high!r}; low must be below high")
    lower = None if low is None else (mean - low) / (3 * sigma)
    upper = None if high is None else (high - mean) / (3 * sigma)
    cp = None if low is None or high is None else (high - low) / (6 * sigma)
    sides = [side for side in (lower, upper) if side is not None]
    # An index is a distance in units of three sigma, so this is the area of the normal distribution beyond each limit.
    outside = math.fsum(0.5 * math.erfc(3 * side / math.sqrt(2)) for side in sides)
    nearest = min(sides)
    return Capability(cp, lower, upper, nearest, _nearer(nearest, len(sides), df, n_effective, confidence), outside)


def _nearer(cpk: float, limits: int, df: float, n: float, confidence: float) -> Interval:
    """The interval for cpk, the smaller of one or two indices, from the index of the nearer limit.

    Why it covers with two limits. Let a = 1 - confidence; both sides have one `df` and `n`, so the ends of a side rise with its index.
    Low end: it is the smaller of both sides' low ends at a / 2. True cpk is the true index of one side, and the low end can lie above it only
    if that side's own low end does, which happens with probability a / 2. High end: it is the smaller of both sides' high ends at a / 4. It can
    lie below true cpk only if some side's high end does, and true cpk is at most that side's true index: with probability a / 4 for each of
    two sides, a / 2 together. So the interval misses with probability a at most.
    """
    tail = (1 - confidence) / 2
    low = _true_index(cpk, df, n, 1 - tail)
    return Interval(low, _true_index(cpk, df, n, tail / limits), confidence)


def _true_index(index: float, df: float, n: float, probability: float) -> float:
    """The true index for which an estimate up to `index` has this probability."""
    from scipy.special import chdtri, nctdtrinc

    scale = 3 * math.sqrt(n)
    t = scale * index
    if abs(t) <= _FAR:
        return float(nctdtrinc(df, probability, t)) / scale
    # So far from the limit the error of the mean is nothing beside that of sigma, and sigma^2 is chi-square.
    tail = probability if t > 0 else 1 - probability
    return index * math.sqrt(float(chdtri(df, tail)) / df)
