"""What an uncertainty does to a verdict: probability of conformance, what would settle a near one, whether a method is fine enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from statistics import NormalDist
from typing import Any

# Expanded uncertainty is stated with this coverage factor, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
# A method whose expanded uncertainty takes up more of the limit than this leaves too little of it to the product. Common practice.
COARSE_ABOVE = 1 / 3
# How a sentence begins where no measurement can settle a value.
NOTHING = "nothing that can be measured"
# More readings than this nobody takes, and an instrument finer by this factor nobody has.
OUT_OF_REACH = 1000
# Differences this small are arithmetic: the same width as limits.BINARY_NOISE, which cannot be imported here.
_NOISE = 1e-10
# A colour further than this many standard uncertainties from its limit is taken as certain: 2e-5 in three dimensions.
_FAR = 5.0
# Directions over which a probability in three dimensions is averaged, each with its opposite.
_DIRECTIONS = 500

Vector = tuple[float, ...]


def conformance_probability(value: float, u: float, low: float | None, high: float | None) -> float:
    """Returns the probability that the true value lies inside the limits.

    Args:
        value: as measured.
        u: its standard uncertainty, >= 0; 0 makes the answer certain.
        low, high: limits, either may be None.

    Notes:
        Normal distribution, no prior knowledge: the measurement is all that is known.

    Reference:
        JCGM 106:2012, 7.2 to 7.4.

    Example:
        >>> round(conformance_probability(0.9, 0.1, None, 1.0), 4)
        0.8413
    """
    if u == 0:
        return float((low is None or value >= low - _NOISE) and (high is None or value <= high + _NOISE))
    standard = NormalDist()
    below_high = 1.0 if high is None else standard.cdf((high - value) / u)
    below_low = 0.0 if low is None else standard.cdf((low - value) / u)
    return below_high - below_low


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
    if value + _FAR * size <= high + _NOISE:
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
    return COVERAGE * u > COARSE_ABOVE * room * (1 + _NOISE)


def settle(margin: float, z: float, u: float, scatter: float | None, n: int, counted: str) -> str:
    """Returns what would settle a value that is inside its limit but within its guard band.

    More readings shrink the part of the uncertainty that comes from scatter, as 1 / sqrt(n); the instrument's own part stays. Where that
    part alone is too large, the instrument named would settle the value with as many readings as there are, if any can.

    Args:
        margin: distance to the limit, >= 0.
        z: guard band in standard uncertainties.
        u: standard uncertainty of the value, > 0.
        scatter: the part of `u` that comes from scatter over `n`, None when no scatter was seen.
        n: what the value rests on, in `counted`.

    Notes:
        It supposes that the value stays where it is; it may move, either way.

    Reference:
        JCGM 100:2008, 4.2.3 (standard uncertainty of a mean); ASTM E1345 asks the same of colour readings (from memory).

    Example:
        >>> settle(0.1, 1.645, 0.1, 0.1, 3, "spools")
        'about 6 more spools like these'
    """
    needed, own = _needed(margin, z, u, scatter)
    if needed * OUT_OF_REACH <= u:
        return f"{NOTHING}: the value lies on its limit, so quality must decide"
    if not scatter or needed <= own:
        left = (needed - (scatter or 0.0)) * (needed + (scatter or 0.0))
        finest = _rounded_down(math.sqrt(left) if left > 0 else needed)
        too = "" if left > 0 else ", and more readings with it"
        return f"an instrument with a standard uncertainty below {finest}{too}, since more readings with this one cannot settle it"
    more = more_to_settle(margin, z, u, scatter, n)
    if not more:
        return f"{NOTHING}: it would take more than {OUT_OF_REACH} more {counted}, so quality must decide"
    return f"about {more} more {_plural(counted, more)} like these"


def more_to_settle(margin: float, z: float, u: float, scatter: float | None, n: int) -> int:
    """Returns how many more would settle a value within its guard band, 0 where no number of them within reach can; arguments as for `settle`.

    Example:
        >>> more_to_settle(0.1, 1.645, 0.1, 0.1, 3), more_to_settle(0.1, 1.645, 0.1, None, 3)
        (6, 0)
    """
    needed, own = _needed(margin, z, u, scatter)
    if not scatter or needed <= own or needed * OUT_OF_REACH <= u:
        return 0
    more = max(1, math.ceil(n * scatter * scatter / ((needed - own) * (needed + own)) - n - 1e-9))
    return more if more <= OUT_OF_REACH else 0


def _needed(margin: float, z: float, u: float, scatter: float | None) -> tuple[float, float]:
    """The standard uncertainty that would settle a value, and the part of the present one that repeats do not shrink."""
    return margin / z, math.sqrt(max(0.0, u * u - (scatter or 0.0) ** 2))


def _rounded_down(size: float) -> str:
    """Two digits of a size > 0, never more than it: an uncertainty as good as the one named must be good enough."""
    last = math.floor(math.log10(size)) - 1
    return f"{math.floor(size / 10.0**last * (1 + _NOISE)) * 10.0**last:.2g}"


def _plural(counted: str, n: int) -> str:
    one = counted.removesuffix("s")
    return one if n == 1 else f"{one}s"
