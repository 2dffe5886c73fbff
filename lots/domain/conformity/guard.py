"""Uncertainty in a verdict: probability of conformance, readings needed to settle a near value, methods that are too coarse."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from functools import cache
from typing import Any

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.statistics.summaries import Vector
from lots.domain.uncertainty.budget import Uncertainty
from lots.domain.uncertainty.length import Length
from lots.domain.words import plural

# Coverage factor of an expanded uncertainty, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
# z of a two-sided 95 % interval.
TWO_SIDED = 1.959963984540054
# Largest acceptable ratio of expanded uncertainty to tolerance. Common practice, no source.
COARSE_ABOVE = 1 / 3
# Begins the advice where no measurement can settle a value.
NOTHING = "ask quality for a decision"
# Most readings that are practical, and the largest practical improvement of an instrument. Common practice, no source.
OUT_OF_REACH = 1000
# A colour this many standard uncertainties from its limit is certain: the risk is 2e-5 in three dimensions.
_FAR = 5.0
# Directions over which a probability in three dimensions is averaged; each is used with its opposite.
_DIRECTIONS = 500

# The verb for more of something, where it is not "measure".
_VERBS = {"reading": "take", "test": "make", "specimen": "break"}

# The uncertainty of a value on a scale, or of a length.
Spread = Uncertainty | Length


def guard_band(value: float, spread: Spread, z: float) -> float:
    """Returns how far the true value may lie above the measured one, with the one-sided confidence of z."""
    return spread.most(z) - value if isinstance(spread, Length) else spread.band(z)


def proof_band(value: float, spread: Spread, z: float) -> float:
    """Returns how far the true value may lie below the measured one, with the one-sided confidence of z."""
    return value - spread.least(z) if isinstance(spread, Length) else spread.band(z)


def conformance_probability(value: float, uncertainty: Spread, low: float | None, high: float | None) -> float:
    """Returns the probability that the true value lies inside the limits.

    Args:
        value: as measured.
        uncertainty: of the value; 0 gives 0 or 1.
        low, high: limits, either may be None.

    Notes:
        No prior knowledge is used. The result is the confidence whose guard band reaches just to the limit. So guarded acceptance passes a
        value with one limit when the result is at least the confidence of the rule. A known uncertainty gives the normal distribution.

    Reference:
        JCGM 106:2012, 7.2 to 7.4.

    Example:
        >>> round(conformance_probability(0.9, Uncertainty.known(0.1), None, 1.0), 4)
        0.8413
    """
    if uncertainty.total == 0:
        return float((low is None or value >= low - BINARY_NOISE) and (high is None or value <= high + BINARY_NOISE))
    if isinstance(uncertainty, Length):
        return 1.0 if high is None else uncertainty.below(high)
    below_high = 1.0 if high is None else uncertainty.below(high - value)
    below_low = 0.0 if low is None else uncertainty.below(low - value)
    return max(0.0, below_high - below_low)


def conformance_of_difference(apart: Vector, u: Vector, metric: Sequence[Vector], high: float) -> float:
    """Returns the probability that a true colour difference is at most `high`.

    A difference is a length: it cannot be negative, and uncertainty across its direction only adds to it. So the true colour is
    taken as normally distributed about the measured one. The result is its probability inside the ellipsoid of colours within `high` of
    the reference. Along each of a thousand directions this is a chi-square probability with three degrees of freedom.

    Args:
        apart: measured colour minus reference, one number per coordinate.
        u: standard uncertainty of each coordinate, >= 0.
        metric: symmetric; the squared colour difference for a coordinate difference x is x * metric * x.
        high: limit, >= 0.

    Notes:
        Coordinates are taken as independent. The errors come from the metric, which holds near one colour, and from the directions
        (at most 0.005, mostly below 0.001).

    Reference:
        JCGM 106:2012, 7.2 (probability from the distribution of the quantity). The direction of a normal vector is uniform and
        independent of its squared length, which is chi-square: any statistics handbook.
    """
    axes = range(len(u))
    form = math.fsum(apart[i] * metric[i][j] * apart[j] for i in axes for j in axes)
    value, size = math.sqrt(max(0.0, form)), math.sqrt(math.fsum(metric[i][i] * u[i] ** 2 for i in axes))
    if value + _FAR * size <= high + BINARY_NOISE:
        return 1.0
    if size == 0 or value - _FAR * size > high:
        return 0.0
    import numpy as np
    from scipy.special import chdtr

    m, d, steps = np.array(metric), np.array(apart), _directions() * np.array(u)
    outside = form - high * high
    # A ray from the measured colour crosses the ellipsoid at the roots of squared * r^2 + 2 * slope * r + outside = 0.
    squared = np.maximum(np.einsum("ij,jk,ik->i", steps, m, steps), 1e-12 * size * size)
    slope = steps @ (m @ d)
    under_root = slope * slope - squared * outside
    root = np.sqrt(np.maximum(under_root, 0.0))
    enters, leaves = (np.maximum((side * root - slope) / squared, 0.0) for side in (-1, 1))
    inside = chdtr(3, leaves**2) - chdtr(3, enters**2)
    return float(np.mean(np.where(under_root > 0, inside, 0.0)))


@cache
def _directions() -> Any:
    """Returns unit vectors spread evenly over a sphere along a spiral, and their opposites."""
    import numpy as np

    step = np.arange(_DIRECTIONS) + 0.5
    height = 1 - 2 * step / _DIRECTIONS
    turn, radius = step * math.pi * (3 - math.sqrt(5)), np.sqrt(1 - height * height)
    half = np.stack([radius * np.cos(turn), radius * np.sin(turn), height], axis=1)
    return np.concatenate([half, -half])


def too_coarse(u: float, room: float) -> bool:
    """Returns whether the expanded uncertainty exceeds a third of the tolerance.

    Args:
        u: standard uncertainty, >= 0.
        room: half the width of a limit with two ends, or the distance of its one end from the target (`Limit.room`), >= 0.

    Reference:
        Common practice (a ratio of 1 to 3 between uncertainty and tolerance, at worst), no source.

    Example:
        >>> too_coarse(0.2, 1.0), too_coarse(0.1, 1.0)
        (True, False)
    """
    # Exactly a third is acceptable, whatever the last bit.
    return COVERAGE * u > COARSE_ABOVE * room * (1 + BINARY_NOISE)


def settle(margin: float, z: float, uncertainty: Spread, n: int, counted: str) -> str:
    """Returns the advice that would settle a value inside its guard band, as an imperative phrase.

    More readings reduce the random part of the uncertainty as 1 / sqrt(n) and add degrees of freedom. The instrument's own part stays. Where
    that part alone is too large, the advice names the uncertainty that an instrument needs with the same number of readings.

    Args:
        margin: distance to the limit, >= 0.
        z: guard band in standard uncertainties that are known.
        uncertainty: of the value, above 0.
        n: number of readings, spools or others that the value rests on.
        counted: their plural noun.

    Notes:
        Assumes that the value does not change, although it may move either way.

    Reference:
        JCGM 100:2008, 4.2.3 (standard uncertainty of a mean); ASTM E1345 asks the same of colour readings (from memory).

    Example:
        >>> from lots.domain.uncertainty.budget import Contribution
        >>> settle(0.1, 1.645, Uncertainty((Contribution(0.1, shrinks=True),)), 3, "spools")
        'measure about 6 more spools'
    """
    needed = margin / z
    if needed * OUT_OF_REACH <= uncertainty.total:
        return f"{NOTHING}, since the value lies on its limit"
    if not uncertainty.scatter or margin <= uncertainty.fixed.guard(z):
        by_scatter = uncertainty.varying.guard(z)
        left = (margin - by_scatter) * (margin + by_scatter)
        finest = _rounded_down(math.sqrt(left) / z if left > 0 else needed)
        too = "" if left > 0 else " and take more readings"
        return f"use an instrument with a standard uncertainty below {finest}{too}, since more readings with this one cannot settle it"
    more = more_to_settle(margin, z, uncertainty, n)
    if not more:
        return f"{NOTHING}, since more than {OUT_OF_REACH} more {counted} would be needed"
    one = counted.removesuffix("s")
    return f"{_VERBS.get(one, 'measure')} about {more} more {plural(more, one)}"


def more_to_settle(margin: float, z: float, uncertainty: Spread, n: int) -> int:
    """Returns how many more readings, or spools, would settle a value inside its guard band, 0 where no practical number can.

    Arguments as for `settle`.

    Example:
        >>> from lots.domain.uncertainty.budget import Contribution
        >>> scattering, known = Uncertainty((Contribution(0.1, shrinks=True),)), Uncertainty.known(0.1)
        >>> more_to_settle(0.1, 1.645, scattering, 3), more_to_settle(0.1, 1.645, known, 3)
        (6, 0)
    """

    def settled(more: int) -> bool:
        return uncertainty.with_more(n, more).guard(z) <= margin * (1 + 1e-9)

    if not uncertainty.scatter or not settled(OUT_OF_REACH):
        return 0
    return 1 + bisect_left(range(1, OUT_OF_REACH), True, key=settled)


def _rounded_down(size: float) -> str:
    """Returns a size > 0 rounded down to two digits, so that an instrument with that uncertainty is good enough."""
    last = math.floor(math.log10(size)) - 1
    return f"{math.floor(size / 10.0**last * (1 + BINARY_NOISE)) * 10.0**last:.2g}"
