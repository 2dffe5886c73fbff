"""Proportions of few lots with their intervals: one supplier's, and the difference of two suppliers over strata."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist


@dataclass(frozen=True, slots=True)
class Interval:
    """A confidence interval.

    Args:
        low, high: its ends, in the unit of what was estimated, low <= high.
        confidence: how often such intervals hold the true value, 0 < confidence < 1.

    Raises:
        ValueError: an end is not a finite number, the ends are the wrong way round, or the confidence is not between 0 and 1.
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
    """Returns the score interval for a proportion.

    Args:
        x: how many of the `n` had the property, 0..n.
        n: >= 1.
        confidence: 0 < confidence < 1.

    Raises:
        ValueError: the counts are not such.

    Notes:
        Its coverage oscillates about the confidence as the true proportion changes, and is close to it on average (Brown, Cai and DasGupta
        2001). Never empty, also at 0 of n and n of n.

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
    """Lots of two suppliers that are alike in what else matters, such as grade and colour: x_i of n_i had the property.

    Args:
        x1, n1: of the first supplier, 0 <= x1 <= n1.
        x2, n2: of the second.

    Raises:
        ValueError: the counts are not such.
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
    """The first supplier's proportion less the second's, over the strata in which both have lots.

    `n1` and `n2` count the lots that were used. `effective_n1` and `effective_n2` are how many lots of one stratum would tell as much:
    fewer, where the two suppliers' lots lie in different strata.
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
    """Returns the difference of two suppliers' proportions, compared like with like.

    Within each stratum the proportions are compared; strata are weighted by n1 * n2 / (n1 + n2), so that one in which either supplier has
    few lots counts little. The interval is Newcombe's on the weighted proportions and the effective numbers of lots.

    Args:
        strata: a stratum where either supplier has no lot says nothing and is left out.
        confidence: 0 < confidence < 1.

    Returns:
        Positive: the first supplier's lots have the property more often. None when no stratum has lots of both.

    Notes:
        With one stratum it is exactly Newcombe's interval. With several it supposes that the difference is about the same in each.
        Coverage oscillates with the true proportions and is close to the confidence on average.

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
    """The hybrid score interval for p1 - p2: each end is as far out as the two proportions' own score intervals allow together."""
    (low1, high1), (low2, high2) = _score(p1, n1, z), _score(p2, n2, z)
    return p1 - p2 - math.hypot(p1 - low1, high2 - p2), p1 - p2 + math.hypot(high1 - p1, p2 - low2)


def _score(p: float, n: float, z: float) -> tuple[float, float]:
    """Wilson's interval for a proportion `p` of a number `n` that need not be whole."""
    centre = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    # At 0 and at 1 the ends are those exactly; a last bit must not push them beyond, nor past the proportion itself.
    return max(0.0, min(p, centre - half)) if p > 0 else 0.0, min(1.0, max(p, centre + half)) if p < 1 else 1.0


def _normal_quantile(confidence: float) -> float:
    """How many standard deviations to either side hold this much of a normal distribution."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence!r}; it must be between 0 and 1")
    return NormalDist().inv_cdf((1 + confidence) / 2)


def _refuse_counts(x: int, n: int) -> None:
    if not 0 <= x <= n or n < 1:
        raise ValueError(f"{x!r} of {n!r} is not a proportion; it takes 0 <= x <= n and n >= 1")
