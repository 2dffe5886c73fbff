"""What an uncertainty does to a verdict: probability of conformance, what would settle a near one, whether a method is fine enough."""

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

# Expanded uncertainty is stated with this coverage factor, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
# z of an interval of 95 % to both sides.
TWO_SIDED = 1.959963984540054
# A method whose expanded uncertainty takes up more of the limit than this leaves too little of it to the product. Common practice, no source.
COARSE_ABOVE = 1 / 3
# How a sentence begins where no measurement can settle a value.
NOTHING = "nothing that can be measured"
# More readings than this nobody takes, and an instrument finer by this factor nobody has.
OUT_OF_REACH = 1000
# A colour further than this many standard uncertainties from its limit is taken as certain: 2e-5 in three dimensions.
_FAR = 5.0
# Directions over which a probability in three dimensions is averaged, each with its opposite.
_DIRECTIONS = 500

# An uncertainty about a value on a scale, or about a length.
Spread = Uncertainty | Length


def guard_band(value: float, spread: Spread, z: float) -> float:
    """Returns how far above a measured value the true one may lie with the one-sided confidence of z; of a value on a scale below it too."""
    return spread.most(z) - value if isinstance(spread, Length) else spread.band(z)


def proof_band(value: float, spread: Spread, z: float) -> float:
    """Returns how far below a measured value the true one may lie with the one-sided confidence of z; of a value on a scale above it too."""
    return value - spread.least(z) if isinstance(spread, Length) else spread.band(z)


def conformance_probability(value: float, uncertainty: Spread, low: float | None, high: float | None) -> float:
    """Returns the confidence that the true value lies inside the limits.

    Args:
        value: as measured.
        uncertainty: of it; 0 makes the answer certain.
        low, high: limits, either may be None.

    Notes:
        No prior knowledge: the measurement is all that is known. It is the confidence whose guard band reaches just to the limit, so that a
        guarded rule passes a value with one limit where this is at least the confidence of the rule. A known uncertainty gives the normal distribution.

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

    A difference is a length: it cannot be negative, and uncertainty across its direction only adds to it. So the colour itself is
    taken as normal about the measured one, and its probability inside the ellipsoid of colours within `high` of the reference is
    summed: along each of a thousand directions, chi-square with three degrees of freedom says how much lies inside.

    Args:
        apart: measured colour minus reference, one number per coordinate.
        u: standard uncertainty of each coordinate, >= 0.
        metric: symmetric; the squared difference of colours that lie x apart is x * metric * x.
        high: limit, >= 0.

    Notes:
        Coordinates are taken as independent. Exact but for the metric, which is that of one place, and for the directions: 0.005 at
        most, mostly below 0.001.

    Reference:
        JCGM 106:2012, 7.2 (probability from the distribution of the quantity). A normal vector has a uniform direction and, apart
        from it, a squared length that is chi-square: any statistics handbook.
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
    # Where a ray from the measured colour enters and leaves the ellipsoid: squared * r^2 + 2 * slope * r + outside = 0.
    squared = np.maximum(np.einsum("ij,jk,ik->i", steps, m, steps), 1e-12 * size * size)
    slope = steps @ (m @ d)
    under_root = slope * slope - squared * outside
    root = np.sqrt(np.maximum(under_root, 0.0))
    enters, leaves = (np.maximum((side * root - slope) / squared, 0.0) for side in (-1, 1))
    inside = chdtr(3, leaves**2) - chdtr(3, enters**2)
    return float(np.mean(np.where(under_root > 0, inside, 0.0)))


@cache
def _directions() -> Any:
    """Unit vectors spread evenly over a sphere along a spiral, and their opposites."""
    import numpy as np

    step = np.arange(_DIRECTIONS) + 0.5
    height = 1 - 2 * step / _DIRECTIONS
    turn, radius = step * math.pi * (3 - math.sqrt(5)), np.sqrt(1 - height * height)
    half = np.stack([radius * np.cos(turn), radius * np.sin(turn), height], axis=1)
    return np.concatenate([half, -half])


def too_coarse(u: float, room: float) -> bool:
    """True when the expanded uncertainty is more than a third of the room that a limit leaves.

    Args:
        u: standard uncertainty, >= 0.
        room: half the width of a limit with two ends, or the distance of its one end from the target (`Limit.room`), >= 0.

    Reference:
        Common practice (a ratio of 1 to 3 between uncertainty and tolerance, at worst), no source.

    Example:
        >>> too_coarse(0.2, 1.0), too_coarse(0.1, 1.0)
        (True, False)
    """
    # At exactly a third it is fine enough; a last bit must not say otherwise.
    return COVERAGE * u > COARSE_ABOVE * room * (1 + BINARY_NOISE)


def settle(margin: float, z: float, uncertainty: Spread, n: int, counted: str) -> str:
    """Returns what would settle a value that is inside its limit but within its guard band.

    More readings shrink the part of the uncertainty that comes from scatter, as 1 / sqrt(n), and make it better known; the instrument's own part stays. Where
    that part alone is too large, the instrument named would settle the value with as many readings as there are, if any can.

    Args:
        margin: distance to the limit, >= 0.
        z: guard band in standard uncertainties that are known.
        uncertainty: of the value, above 0.
        n: what the value rests on, in `counted`.

    Notes:
        It supposes that the value stays where it is; it may move, either way.

    Reference:
        JCGM 100:2008, 4.2.3 (standard uncertainty of a mean); ASTM E1345 asks the same of colour readings (from memory).

    Example:
        >>> from lots.domain.uncertainty.budget import Contribution
        >>> settle(0.1, 1.645, Uncertainty((Contribution(0.1, shrinks=True),)), 3, "spools")
        'about 6 more spools like these'
    """
    needed = margin / z
    if needed * OUT_OF_REACH <= uncertainty.total:
        return f"{NOTHING}: the value lies on its limit, so quality must decide"
    if not uncertainty.scatter or margin <= uncertainty.fixed.guard(z):
        by_scatter = uncertainty.varying.guard(z)
        left = (margin - by_scatter) * (margin + by_scatter)
        finest = _rounded_down(math.sqrt(left) / z if left > 0 else needed)
        too = "" if left > 0 else ", and more readings with it"
        return f"an instrument with a standard uncertainty below {finest}{too}, since more readings with this one cannot settle it"
    more = more_to_settle(margin, z, uncertainty, n)
    if not more:
        return f"{NOTHING}: it would take more than {OUT_OF_REACH} more {counted}, so quality must decide"
    return f"about {more} more {plural(more, counted.removesuffix('s'))} like these"


def more_to_settle(margin: float, z: float, uncertainty: Spread, n: int) -> int:
    """Returns how many more would settle a value within its guard band, 0 where no number of them within reach can; arguments as for `settle`.

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
    """Two digits of a size > 0, never more than it: an uncertainty as good as the one named must be good enough."""
    last = math.floor(math.log10(size)) - 1
    return f"{math.floor(size / 10.0**last * (1 + BINARY_NOISE)) * 10.0**last:.2g}"
