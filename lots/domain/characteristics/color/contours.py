"""Where in the a*b* plane a colour would lie exactly at a limit: the true outline of a tolerance, in any formula."""

from __future__ import annotations

import math

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab

DIRECTIONS = 180
# A point lies this near its place: far below what is drawn or measured.
CLOSE = 1e-8
# The ends of a* and b* in lots.domain.colorimetry.color_values.Lab.
_END = 150.0


def contour(
    reference: Lab, most: float, rule: ColorLimits, dL: float = 0.0, directions: int = DIRECTIONS
) -> list[tuple[float, float]]:
    """Returns the points (da*, db*) at which a colour this much lighter than the reference lies exactly at the limit.

    From the reference outwards, in each direction, the distance is doubled until the difference reaches the limit, and the place in between
    is found by Brent's method. Nothing is assumed of the formula but that it grows on the way out, so the outline is an ellipse
    only where the formula makes it one.

    Args:
        reference: the colour asked for; of the plane it is the centre.
        most: the limit on the colour difference, > 0, in the units of the rule's formula.
        rule: formula and weights.
        dL: lightness of the plane, L* less the reference's.
        directions: how many, spread evenly, the first along +a*; at least 3.

    Returns:
        One point per direction in turn, positive da* redder and db* yellower than the reference. Empty when even the colour straight above
        or below the reference is at the limit or past it: then no a*, b* would be within. A direction in which the limit
        lies beyond what CIELAB coordinates may be here has no point.

    Raises:
        ValueError: the limit is not a number above 0, there are fewer than 3 directions, or the plane lies outside 0 to 110 in L*.

    Notes:
        CIEDE2000 jumps where two hues are exactly opposite, so past the neutral axis its outline may have a step. Each point is still at the
        limit, within 1e-7, or at the step itself.

    Reference:
        The formulas: see lots.domain.colorimetry.color_difference.delta_e.

    Example:
        >>> ring = contour(Lab(50, 10, 10), 1.0, ColorLimits("CIE76"), dL=0.6, directions=4)
        >>> [(round(a, 5), round(b, 5)) for a, b in ring]
        [(0.8, 0.0), (0.0, 0.8), (-0.8, 0.0), (-0.0, -0.8)]
    """
    if not (math.isfinite(most) and most > 0):
        raise ValueError(f"most is {most!r}; a limit with an outline is a number above 0")
    from scipy.optimize import brentq

    if directions < 3:
        raise ValueError(f"directions is {directions!r}; an outline takes at least 3")
    plane = Lab(reference.L + dL, reference.a, reference.b)

    def over(distance: float, way: tuple[float, float]) -> float:
        """By how much the colour at this distance is past the limit."""
        return rule.delta_e(reference, Lab(plane.L, plane.a + distance * way[0], plane.b + distance * way[1])) - most

    if over(0.0, (0.0, 0.0)) >= 0:
        return []
    points = []
    for number in range(directions):
        turn = 2 * math.pi * number / directions
        way = (math.cos(turn), math.sin(turn))
        inside, outside, end = 0.0, min(most, 1.0), _reach(plane, way)
        while outside < end and over(outside, way) < 0:
            inside, outside = outside, 2 * outside
        outside = min(outside, end)
        if over(outside, way) >= 0:
            distance = brentq(over, inside, outside, args=(way,), xtol=CLOSE)
            points.append((distance * way[0], distance * way[1]))
    return points


def _reach(plane: Lab, way: tuple[float, float]) -> float:
    """How far it is from a colour to the end of the a*b* plane."""
    ends = [
        (math.copysign(_END, by) - at) / by for at, by in zip((plane.a, plane.b), way, strict=True) if abs(by) > 1e-9
    ]
    # A hair short of it, so that rounding leads no colour past the end.
    return min(ends) * (1 - 1e-12)
