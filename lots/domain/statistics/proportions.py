"""Confidence intervals for a proportion and for the stratified difference of two proportions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence interval.

    Args:
        low, high: limits, in the unit of the estimate, low <= high.
        confidence: confidence level, 0 < confidence < 1.

    Raises:
        ValueError: a limit is not a finite number, low exceeds high, or the confidence is not between 0 and 1.
    """

    low: float
    high: float
    confidence: float

    def __post_init__(self) -> None:
        if not 0 < self.confidence < 1:
            raise ValueError(f"confidence is {self.confidence!r}; it must be between 0 and 1")
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low <= self.high):
            raise ValueError(f"the interval goes from {self.low!r} to {self.high!r}; low must not be above high")


def wilson(x: int, n: int, confidence: float = 0.95) -> Interval:
    """Returns Wilson's score interval for a proportion.

    Args:
        x: successes, 0..n.
        n: trials, >= 1.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: counts out of their range.

    Notes:
        Coverage oscillates about the confidence level with the true proportion, and is close to it on average (Brown, Cai and DasGupta
        2001). The interval has a positive width also at 0 of n and n of n.

    Reference:
        Wilson 1927, J. Am. Stat. Assoc. 22, 209-212.

    Example:
        >>> found = wilson(4, 20, 0.90)
        >>> round(found.low, 4), round(found.high, 4)
        (0.0931, 0.3784)
    """
    _refuse_counts(x, n)
    low, high = _score(x / n, n, _normal_quantile(confidence))
    return Interval(low, high, confidence)


@dataclass(frozen=True, slots=True)
class Stratum:
    """Comparable lots of two suppliers, for example of one grade: x_i successes of n_i.

    Args:
        x1, n1: of the first supplier, 0 <= x1 <= n1.
        x2, n2: of the second.

    Raises:
        ValueError: counts out of their range.
    """

    x1: int
    n1: int
    x2: int
    n2: int

    def __post_init__(self) -> None:
        for x, n in ((self.x1, self.n1), (self.x2, self.n2)):
            if not 0 <= x <= n:
                raise ValueError(f"{x!r} of {n!r} is not a proportion")


@dataclass(frozen=True, slots=True)
class Difference:
    """Stratified difference of two proportions, first supplier minus second.

    `n1` and `n2` are the lots used. `effective_n1` and `effective_n2` are the equivalent lots of a single stratum: fewer, where the lots of the two
    suppliers lie in different strata.
    """

    estimate: float
    low: float
    high: float
    confidence: float
    strata_used: int
    n1: int
    n2: int
    effective_n1: float
    effective_n2: float

    def __post_init__(self) -> None:
        Interval(self.low, self.high, self.confidence)


def difference(strata: Sequence[Stratum], confidence: float = 0.95) -> Difference | None:
    """Returns the stratified difference of two suppliers' proportions.

    Strata are weighted by n1 * n2 / (n1 + n2) (Mantel-Haenszel). The interval is Newcombe's on the weighted proportions and the effective numbers
    of lots.

    Args:
        strata: strata without lots of either supplier are left out.
        confidence: 0 < confidence < 1.

    Returns:
        Positive: the first supplier has the higher proportion. None when no stratum has lots of both.

    Notes:
        With one stratum it is exactly Newcombe's interval. With several it assumes about the same difference in each. Coverage oscillates with
        the true proportions and is close to the confidence level on average.

    Reference:
        Weights: Mantel and Haenszel 1959, J. Natl. Cancer Inst. 22, 719-748, for a difference as in Greenland and Robins 1985, Biometrics 41,
        55-68. Interval: Newcombe 1998, Stat. Med. 17, 873-890, method 10. Effective numbers: a weighted mean of proportions has the variance
        sum(w^2 p (1 - p) / n), which is p (1 - p) / effective n where all strata have one p.

    Example:
        >>> found = difference([Stratum(56, 70, 48, 80)])
        >>> round(found.estimate, 4), round(found.low, 4), round(found.high, 4)
        (0.2, 0.0524, 0.3339)
    """
    used = [s for s in strata if s.n1 and s.n2]
    if not used:
        return None
    weights = [s.n1 * s.n2 / (s.n1 + s.n2) for s in used]
    total = math.fsum(weights)
    shares = [weight / total for weight in weights]
    p1 = min(1.0, math.fsum(w * s.x1 / s.n1 for w, s in zip(shares, used, strict=True)))
    p2 = min(1.0, math.fsum(w * s.x2 / s.n2 for w, s in zip(shares, used, strict=True)))
    n1 = 1 / math.fsum(w * w / s.n1 for w, s in zip(shares, used, strict=True))
    n2 = 1 / math.fsum(w * w / s.n2 for w, s in zip(shares, used, strict=True))
    low, high = _newcombe(p1, n1, p2, n2, _normal_quantile(confidence))
    lots1, lots2 = sum(s.n1 for s in used), sum(s.n2 for s in used)
    return Difference(p1 - p2, low, high, confidence, len(used), lots1, lots2, n1, n2)


def _newcombe(p1: float, n1: float, p2: float, n2: float, z: float) -> tuple[float, float]:
    """Returns the hybrid score interval for p1 - p2: each limit combines the score limits of the two proportions as a root sum of squares."""
    (low1, high1), (low2, high2) = _score(p1, n1, z), _score(p2, n2, z)
    return p1 - p2 - math.hypot(p1 - low1, high2 - p2), p1 - p2 + math.hypot(high1 - p1, p2 - low2)


def _score(p: float, n: float, z: float) -> tuple[float, float]:
    """Returns Wilson's interval for a proportion `p` of a number `n` that need not be whole."""
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    # Exact limits at 0 and 1; rounding must not move a limit beyond them or past p.
    return max(0.0, min(p, centre - half)) if p > 0 else 0.0, min(1.0, max(p, centre + half)) if p < 1 else 1.0


def _normal_quantile(confidence: float) -> float:
    """Returns the two-sided quantile of the standard normal distribution."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; it must be between 0 and 1")
    return NormalDist().inv_cdf((1 + confidence) / 2)


def _refuse_counts(x: int, n: int) -> None:
    if not 0 <= x <= n or n < 1:
        raise ValueError(f"{x!r} of {n!r} is not a proportion; it requires 0 <= x <= n and n >= 1")
