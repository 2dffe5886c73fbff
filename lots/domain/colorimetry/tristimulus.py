"""Tristimulus values, and the way between them and CIELAB."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab

# CIELAB is a cube root above this share of the white and a straight line below it (ISO/CIE 11664-4, clause 4.1): (6/29)^3, and its root.
_STRAIGHT_BELOW = (6 / 29) ** 3
_ROOT_OF_IT = 6 / 29
_SLOPE = (29 / 6) ** 2 / 3
# No surface reads more, fluorescent ones included: this project's own bound.
_MOST = 300.0


@dataclass(frozen=True, slots=True)
class XYZ:
    """Tristimulus values of a surface, or of the white it is seen against, on the scale where that white has Y = 100.

    Args:
        X, Y, Z: 0..300. Y is the luminous reflectance in percent; a perfect white has 100, a brightened one may have more.

    Raises:
        ValueError: a value that is not a finite number in that range.

    Reference:
        ISO/CIE 11664-3 (tristimulus values). The upper end is this project's own bound on what a surface can read.

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
        """Chromaticity x, y; a colour that reflects nothing has none, and asking for it is a ValueError."""
        whole = math.fsum(self.as_tuple())
        if whole == 0:
            raise ValueError("a surface that reflects nothing has no chromaticity")
        return self.X / whole, self.Y / whole

    def as_tuple(self) -> tuple[float, float, float]:
        """The three values in the order X, Y, Z."""
        return self.X, self.Y, self.Z


def lab_from_xyz(color: XYZ, white: XYZ) -> Lab:
    """Returns the colour in CIELAB.

    Args:
        color: on the scale of `white`.
        white: the perfect diffuser under the same illuminant and for the same observer, no value 0.

    Raises:
        ValueError: the white has a value of 0, or the colour lies outside what a surface can read (values.Lab).

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
    """Returns the tristimulus values of a colour in CIELAB; the way back from `lab_from_xyz`.

    Args:
        color: measured under the illuminant and for the observer of `white`.
        white: the perfect diffuser, whose Y is 100.

    Raises:
        ValueError: no surface has such a colour, since a tristimulus value would be below 0.

    Reference:
        ISO/CIE 11664-4, annex on the reverse transformation (from memory).

    Example:
        >>> round(xyz_from_lab(Lab(18.0, 0.1, -0.4), XYZ(94.811, 100.0, 107.304)).Y, 2)
        2.52
    """
    fy = (color.L + 16) / 116
    roots = (fy + color.a / 500, fy, fy - color.b / 200)
    parts = [_cube(root) for root in roots]
    # The last bits of 16 / 116 may fall on the wrong side of black.
    if min(parts) < -1e-12:
        raise ValueError(
            f"no surface is L* {color.L:g}, a* {color.a:g}, b* {color.b:g}: it would reflect less than nothing"
        )
    return XYZ(*(max(0.0, part) * whole for part, whole in zip(parts, white.as_tuple(), strict=True)))


def luminous_reflectance(L: float) -> float:
    """Returns Y in percent of a lightness; it depends on neither illuminant nor observer, since a white has Y = 100 under all.

    Args:
        L: lightness L*, >= 0.

    Example:
        >>> round(luminous_reflectance(50.0), 3)
        18.419
    """
    return max(0.0, 100 * _cube((L + 16) / 116))


def lightness(Y: float) -> float:
    """Returns L* of a luminous reflectance.

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
