"""What an uncertainty does to a verdict: probability of conformance, what would settle a near one, whether a method is fine enough."""

from __future__ import annotations

import math
from statistics import NormalDist

# Expanded uncertainty is stated with this coverage factor, about 95 % for a normal distribution (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
# A method whose expanded uncertainty takes up more of the limit than this leaves too little of it to the product. Common practice.
COARSE_ABOVE = 1 / 3
# Below this many standard uncertainties a colour difference is not normal: it cannot be negative, and noise only adds to it.
_NORMAL_ABOVE = 2.0


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
        return float((low is None or value >= low) and (high is None or value <= high))
    standard = NormalDist()
    below_high = 1.0 if high is None else standard.cdf((high - value) / u)
    below_low = 0.0 if low is None else standard.cdf((low - value) / u)
    return below_high - below_low


def conformance_of_difference(value: float, u: float, parts: tuple[float, ...], high: float) -> float:
    """Returns the probability that a true colour difference is at most `high`.

    A difference is a length: near zero it cannot be normal, and noise alone makes it positive. From two standard uncertainties up the normal
    distribution serves. Below, the three coordinates are taken as independent and normal with one common size, the root mean square of
    `parts`, so that the squared true difference follows a noncentral chi-square distribution with three degrees of freedom about the
    measured one.

    Args:
        value: measured difference, >= 0.
        u: its standard uncertainty, >= 0.
        parts: what the uncertainty of each coordinate alone would show as a difference.
        high: limit, > 0.

    Reference:
        JCGM 106:2012, 7.2 (probability from the distribution of the quantity); noncentral chi-square: any statistics handbook.
    """
    size = math.sqrt(math.fsum(part * part for part in parts) / len(parts))
    if size == 0 or value >= _NORMAL_ABOVE * u:
        return conformance_probability(value, u, None, high)
    from scipy.special import chndtr

    return float(chndtr((high / size) ** 2, len(parts), (value / size) ** 2))


def too_coarse(u: float, low: float | None, high: float | None) -> bool:
    """True when the expanded uncertainty is more than a third of the limit: of half its width when it has two ends.

    Args:
        u: standard uncertainty, >= 0.
        low, high: limits, at least one given.

    Reference:
        Common practice (a ratio of 1 to 3 between uncertainty and tolerance, at worst), no source.

    Example:
        >>> too_coarse(0.2, None, 1.0), too_coarse(0.1, None, 1.0)
        (True, False)
    """
    ends = [abs(end) for end in (low, high) if end is not None]
    room = (high - low) / 2 if low is not None and high is not None else ends[0]
    return COVERAGE * u > COARSE_ABOVE * room


def settle(margin: float, z: float, u: float, scatter: float | None, n: int, counted: str) -> str:
    """Returns what would settle a value that is inside its limit but within its guard band.

    More readings shrink the part of the uncertainty that comes from scatter, as 1 / sqrt(n); the instrument's own part stays.

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
    needed = margin / z
    own = math.sqrt(max(0.0, u * u - (scatter or 0.0) ** 2))
    if scatter and needed > own:
        more = math.ceil(n * scatter * scatter / (needed * needed - own * own) - n - 1e-9)
        if more <= 1000:
            return f"about {max(more, 1)} more {_plural(counted, max(more, 1))} like these"
    finest = f"{needed:.2g}"
    return (
        f"an instrument with a standard uncertainty below {finest}, since more readings with this one cannot settle it"
        if needed > 0
        else "nothing that can be measured: the value lies on its limit, so quality must decide"
    )


def _plural(counted: str, n: int) -> str:
    one = counted.removesuffix("s")
    return one if n == 1 else f"{one}s"
