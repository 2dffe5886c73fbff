"""Contours of a colour limit in the a*b* plane, for any formula."""

from __future__ import annotations

import math

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab

DIRECTIONS = 180
# Tolerance of a point, far below drawing and measuring accuracy.
CLOSE = 1e-8
# Range of a* and b* in lots.domain.colorimetry.color_values.Lab.
_MAX_AB = 150.0


def contour(
    reference: Lab, most: float, rule: ColorLimits, dL: float = 0.0, directions: int = DIRECTIONS
) -> list[tuple[float, float]]:
    """Returns the points (da*, db*) with a colour difference equal to the limit, at a given lightness difference.

    In each direction the distance from the reference is doubled until the difference reaches the limit. Brent's method then finds the point.
    The formula only has to grow outwards, so the contour need not be an ellipse.

    Args:
        reference: the reference colour, centre of the plane.
        most: limit on the colour difference, > 0, in the units of the formula.
        rule: formula and weights.
        dL: lightness of the plane, L* less that of the reference.
        directions: number of evenly spaced directions, the first along +a*; at least 3.

    Returns:
        One point per direction in turn, positive da* redder and db* yellower than the reference. Empty when the colour at da* = db* = 0 is at
        the limit or beyond. A direction whose point would be outside the range of CIELAB coordinates has none.

    Raises:
        ValueError: the limit is not a number above 0, there are fewer than 3 directions, or the plane is outside 0 to 110 in L*.

    Notes:
        CIEDE2000 is discontinuous where two hues are exactly opposite, so its contour may have a step beyond the neutral axis. Each point is at
        the limit, within 1e-7, or at the step.

    Reference:
        The formulas: see lots.domain.colorimetry.color_difference.delta_e.

    Example:
        >>> ring = contour(Lab(50, 10, 10), 1.0, ColorLimits("CIE76"), dL=0.6, directions=4)
        >>> [(round(a, 5), round(b, 5)) for a, b in ring]
        [(0.8, 0.0), (0.0, 0.8), (-0.8, 0.0), (-0.0, -0.8)]
    """
    if not (math.isfinite(most) and most > 0):
        raise ValueError(f"most is {most!r}; it must be a number above 0")
    from scipy.optimize import brentq

    if directions < 3:
        raise ValueError(f"directions is {directions!r}; it must be at least 3")
    plane = Lab(reference.L + dL, reference.a, reference.b)

    def over(distance: float, way: tuple[float, float]) -> float:
        """Returns the difference at this distance minus the limit."""
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
    """Returns the distance from a colour to the end of the a*b* plane."""
    ends = [
        (math.copysign(_MAX_AB, by) - at) / by for at, by in zip((plane.a, plane.b), way, strict=True) if abs(by) > 1e-9
    ]
    # Slightly shorter, so that rounding does not lead beyond the end.
    return min(ends) * (1 - 1e-12)
