"""Tristimulus values, and their conversion to and from CIELAB."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab

# CIELAB is a cube root above (6/29)^3 of the white and linear below (ISO/CIE 11664-4, clause 4.1).
_STRAIGHT_BELOW = (6 / 29) ** 3
_ROOT_OF_IT = 6 / 29
_SLOPE = (29 / 6) ** 2 / 3
# Upper bound for any surface, fluorescent ones included: this project's own bound.
_MOST = 300.0


@dataclass(frozen=True, slots=True)
class XYZ:
    """Tristimulus values of a surface or of the reference white, which has Y = 100.

    Args:
        X, Y, Z: 0..300. Y is the luminous reflectance in percent; a perfect white has 100, a brightened one may have more.

    Raises:
        ValueError: a value that is not a finite number in that range.

    Reference:
        ISO/CIE 11664-3 (tristimulus values). The upper bound is this project's own.

    Example:
        >>> x, y = XYZ(94.811, 100.0, 107.304).chromaticity
        >>> round(x, 4), round(y, 4)
        (0.3138, 0.331)
    """

    X: float
    Y: float
    Z: float

    def __post_init__(self) -> None:
        for name, value in zip("XYZ", self.as_tuple(), strict=True):
            if not math.isfinite(value) or not 0 <= value <= _MOST:
                raise ValueError(f"{name} is {value!r}; it must be a number from 0 to {_MOST:g}, white having Y = 100")

    @property
    def chromaticity(self) -> tuple[float, float]:
        """Chromaticity x, y; a ValueError for a colour with no reflectance."""
        whole = math.fsum(self.as_tuple())
        if whole == 0:
            raise ValueError("a surface with no reflectance has no chromaticity")
        return self.X / whole, self.Y / whole

    def as_tuple(self) -> tuple[float, float, float]:
        """Returns the values in the order X, Y, Z."""
        return self.X, self.Y, self.Z


def lab_from_xyz(color: XYZ, white: XYZ) -> Lab:
    """Returns the colour in CIELAB.

    Args:
        color: on the scale of `white`.
        white: the perfect diffuser under the same illuminant and for the same observer, no value 0.

    Raises:
        ValueError: the white has a value of 0, or the colour is outside the ranges of `Lab`.

    Reference:
        ISO/CIE 11664-4, clause 4.1 (quoted from memory).

    Example:
        >>> lab_from_xyz(XYZ(94.811, 100.0, 107.304), XYZ(94.811, 100.0, 107.304))
        Lab(L=100.0, a=0.0, b=0.0)
    """
    if min(white.as_tuple()) == 0:
        raise ValueError(f"the white is {white.as_tuple()!r}; none of its values may be 0")
    fx, fy, fz = (_root(part / whole) for part, whole in zip(color.as_tuple(), white.as_tuple(), strict=True))
    return Lab(116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz))


def xyz_from_lab(color: Lab, white: XYZ) -> XYZ:
    """Returns the tristimulus values of a colour in CIELAB; the inverse of `lab_from_xyz`.

    Args:
        color: measured under the illuminant and for the observer of `white`.
        white: the perfect diffuser, whose Y is 100.

    Raises:
        ValueError: a tristimulus value would be negative, so no surface has this colour.

    Reference:
        ISO/CIE 11664-4, annex on the reverse transformation (from memory).

    Example:
        >>> round(xyz_from_lab(Lab(18.0, 0.1, -0.4), XYZ(94.811, 100.0, 107.304)).Y, 2)
        2.52
    """
    fy = (color.L + 16) / 116
    roots = (fy + color.a / 500, fy, fy - color.b / 200)
    parts = [_cube(root) for root in roots]
    # Rounding of 16 / 116 may give a slightly negative value for black.
    if min(parts) < -1e-12:
        raise ValueError(
            f"no surface has L* {color.L:g}, a* {color.a:g}, b* {color.b:g}, because its reflectance would be below zero"
        )
    return XYZ(*(max(0.0, part) * whole for part, whole in zip(parts, white.as_tuple(), strict=True)))


def luminous_reflectance(L: float) -> float:
    """Returns Y in percent from a lightness; it is independent of illuminant and observer, since Y = 100 for the white.

    Args:
        L: lightness L*, >= 0.

    Example:
        >>> round(luminous_reflectance(50.0), 3)
        18.419
    """
    return max(0.0, 100 * _cube((L + 16) / 116))


def lightness(Y: float) -> float:
    """Returns L* from a luminous reflectance.

    Args:
        Y: percent, >= 0.

    Example:
        >>> round(lightness(18.419), 3)
        50.0
    """
    return 116 * _root(Y / 100) - 16


def _root(share: float) -> float:
    return math.cbrt(share) if share > _STRAIGHT_BELOW else _SLOPE * share + 4 / 29


def _cube(root: float) -> float:
    return root**3 if root > _ROOT_OF_IT else (root - 4 / 29) / _SLOPE
