"""Process capability indices of a supplier's spools, with confidence intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lots.domain.statistics.proportions import Interval

# Beyond this the noncentral t routine loses digits, and only the uncertainty of sigma matters.
_FAR = 1000.0


@dataclass(frozen=True, slots=True)
class Capability:
    """Process capability indices, without unit.

    Args:
        cp: width between the limits over six sigma, None with a single limit.
        lower: distance of the mean from the lower limit over three sigma (CPL), negative beyond it; None without a lower limit.
        upper: the same for the upper limit (CPU).
        cpk: the smaller of the two.
        interval: for cpk.
        expected_outside: fraction of spools outside the limits, 0..1, for a normal distribution.
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
        mean: estimate, any unit.
        sigma: estimated standard deviation of one spool, in the unit of the mean, > 0.
        df: degrees of freedom of sigma, > 0, not necessarily whole.
        n_effective: sigma^2 over the variance of the mean, > 0: the number of independent spools, smaller for spools in lots, as in `components`
            for its `total`.
        low, high: limits in the same unit, at least one given, low < high.
        confidence: of the interval for cpk, 0 < confidence < 1.

    Raises:
        ValueError: an argument out of its range.

    Notes:
        For a normal distribution. With one limit the interval is exact: the probability of each limit is accurate to 0.0001, or 0.0011 where the
        mean is almost on its limit (compared with numerical integration). With two limits it is conservative: see `_nearer`.

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
    # Tail area of the normal distribution beyond each limit, since an index is a distance in units of three sigma.
    outside = math.fsum(0.5 * math.erfc(3 * side / math.sqrt(2)) for side in sides)
    nearest = min(sides)
    return Capability(cp, lower, upper, nearest, _nearer(nearest, len(sides), df, n_effective, confidence), outside)


def _nearer(cpk: float, limits: int, df: float, n: float, confidence: float) -> Interval:
    """Returns the interval for cpk, the smaller of one or two indices, from the index of the nearer limit.

    Proof of coverage with two limits. Let a = 1 - confidence. Both sides have the same `df` and `n`, so the limits of a side increase with its
    index. Lower limit: it is the smaller of both sides' lower limits at a / 2. The true cpk is the true index of one side. The lower limit exceeds
    it only if that side's own lower limit does, with probability a / 2. Upper limit: it is the smaller of both sides' upper limits at a / 4. It
    is below the true cpk only if some side's upper limit is, and the true cpk is at most that side's true index. The probability is a / 4 per
    side, a / 2 together. The interval therefore misses with probability at most a.
    """
    tail = (1 - confidence) / 2
    low = _true_index(cpk, df, n, 1 - tail)
    return Interval(low, _true_index(cpk, df, n, tail / limits), confidence)


def _true_index(index: float, df: float, n: float, probability: float) -> float:
    """Returns the true index for which an estimate up to `index` has this probability."""
    from scipy.special import chdtri, nctdtrinc

    scale = 3 * math.sqrt(n)
    t = scale * index
    if abs(t) <= _FAR:
        return float(nctdtrinc(df, probability, t)) / scale
    # Far from the limit the error of the mean is negligible, and sigma^2 is chi-square distributed.
    tail = probability if t > 0 else 1 - probability
    return index * math.sqrt(float(chdtri(df, tail)) / df)
