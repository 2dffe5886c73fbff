"""Indices of whites: CIE whiteness and tint, and ASTM E313 yellowness. They supplement CIELAB and do not replace it."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.tristimulus import XYZ, xyz_from_lab
from lots.domain.conformity.limits import BINARY_NOISE, Limit


@dataclass(frozen=True, slots=True)
class _Condition:
    """White point, E313 coefficients and tint coefficient of an illuminant and observer."""

    white: XYZ
    c_x: float
    c_z: float
    tint_x: float


# White points from ASTM E308, three decimals; C_X and C_Z from ASTM E313, Table 1; 1000 or 900 from CIE 15:2004, 9.4.
_CONDITIONS = {
    ("C", 2): _Condition(XYZ(98.074, 100.0, 118.232), 1.2769, 1.0592, 1000.0),
    ("D65", 2): _Condition(XYZ(95.047, 100.0, 108.883), 1.2985, 1.1335, 1000.0),
    ("C", 10): _Condition(XYZ(97.285, 100.0, 116.145), 1.2871, 1.0781, 900.0),
    ("D65", 10): _Condition(XYZ(94.811, 100.0, 107.304), 1.3013, 1.1498, 900.0),
}


@dataclass(frozen=True, slots=True)
class Whiteness:
    """CIE whiteness and tint of a surface.

    `whiteness` is 100 for the perfect diffuser, more for bluer, less for yellower or darker whites. `tint` is 0 for it, positive greener,
    negative redder. `outside` lists the violated limits of the formula in words; the values are then meaningless.
    """

    whiteness: float
    tint: float
    outside: tuple[str, ...] = ()

    @property
    def valid(self) -> bool:
        """True for a colour within the limits of the formula."""
        return not self.outside


def whiteness_from_xyz(color: XYZ, illuminant: str = "D65", observer_deg: int = 10) -> Whiteness:
    """Returns CIE whiteness and tint, with the violated limits of the formula.

    Args:
        color: tristimulus values, with Y = 100 for the perfect diffuser.
        illuminant, observer_deg: C or D65, 2 or 10.

    Raises:
        ValueError: another illuminant or observer, or a colour with no reflectance.

    Notes:
        W = Y + 800 (xn - x) + 1700 (yn - y); T = 1000 or 900 (xn - x) - 650 (yn - y), 1000 for 2 degrees and 900 for 10. Valid for
        40 < W < 5 Y - 280 and -4 < T < 2, ends excluded; before 2004 the tint limits were -3 and 3. Only samples measured on one instrument,
        close in time, are comparable. xn, yn come from the unrounded white; four digits would change W by up to 0.12.
        With brightener W depends on the ultraviolet of the lamp, so only readings under the same UV condition are comparable.

    Reference:
        CIE 15:2004, 9.4; ISO 11475 (D65, 10 degrees: outdoor) and ISO 11476 (C, 2 degrees: indoor).

    Example:
        >>> white = whiteness_from_xyz(XYZ(83.912, 88.31, 97.455))
        >>> round(white.whiteness, 2), round(white.tint, 2), white.valid
        (96.45, 0.1, True)
    """
    condition = _condition("whiteness", illuminant, observer_deg)
    x, y = color.chromaticity
    x_n, y_n = condition.white.chromaticity
    whiteness = color.Y + 800 * (x_n - x) + 1700 * (y_n - y)
    tint = condition.tint_x * (x_n - x) - 650 * (y_n - y)
    return Whiteness(whiteness, tint, _outside(whiteness, tint, color.Y))


def _outside(whiteness: float, tint: float, Y: float) -> tuple[str, ...]:
    found = []
    # The limits themselves are invalid, so rounding counts against the colour.
    for name, value, low, high in (("whiteness", whiteness, 40.0, 5 * Y - 280), ("tint", tint, -4.0, 2.0)):
        # Adding 0 removes the sign of a negative zero.
        shown, most = (f"{round(number, 2) + 0.0:.2f}" for number in (value, high))
        if value <= low + BINARY_NOISE:
            found.append(f"{name} {shown} is not above {low:g}")
        if value >= high - BINARY_NOISE:
            found.append(f"{name} {shown} is not below {most}")
    return tuple(found)


def whiteness_from_lab(color: Lab, illuminant: str = "D65", observer_deg: int = 10) -> Whiteness:
    """Returns CIE whiteness and tint of a colour in CIELAB.

    Args:
        color: measured under this illuminant and for this observer.
        illuminant, observer_deg: C or D65, 2 or 10.

    Raises:
        ValueError: another illuminant or observer, or a colour that no surface has.

    Example:
        >>> round(whiteness_from_lab(Lab(95.0, -0.8, 1.5)).whiteness, 1)
        80.8
    """
    return whiteness_from_xyz(_xyz("whiteness", color, illuminant, observer_deg), illuminant, observer_deg)


def yellowness_from_xyz(color: XYZ, illuminant: str = "D65", observer_deg: int = 10) -> float:
    """Returns the yellowness index: 0 for the perfect diffuser, positive yellower, negative bluer.

    Args:
        color: tristimulus values, with Y = 100 for the perfect diffuser.
        illuminant, observer_deg: C or D65, 2 or 10.

    Raises:
        ValueError: another illuminant or observer, or Y = 0.

    Notes:
        YI = 100 (C_X X - C_Z Z) / Y. The coefficients have four decimals, so the perfect diffuser may give -0.001. For whites and
        near-whites; it depends on chromaticity only, not on lightness.

    Reference:
        ASTM E313, Table 1.

    Example:
        >>> round(yellowness_from_xyz(XYZ(70.12, 73.4, 63.9)), 2)
        24.22
    """
    condition = _condition("yellowness", illuminant, observer_deg)
    if color.Y == 0:
        raise ValueError("a surface with Y = 0 has no yellowness")
    return 100 * (condition.c_x * color.X - condition.c_z * color.Z) / color.Y


def yellowness_from_lab(color: Lab, illuminant: str = "D65", observer_deg: int = 10) -> float:
    """Returns the yellowness index of a colour in CIELAB.

    Args:
        color: measured under this illuminant and for this observer.
        illuminant, observer_deg: C or D65, 2 or 10.

    Raises:
        ValueError: another illuminant or observer, a colour that no surface has, or L* 0.

    Example:
        >>> round(yellowness_from_lab(Lab(95.0, -0.8, 1.5)), 2)
        2.26
    """
    return yellowness_from_xyz(_xyz("yellowness", color, illuminant, observer_deg), illuminant, observer_deg)


def _condition(what: str, illuminant: str, observer_deg: int) -> _Condition:
    if (illuminant, observer_deg) not in _CONDITIONS:
        defined = ", ".join(f"{light}/{degrees}" for light, degrees in _CONDITIONS)
        raise ValueError(f"{what} is not defined for {illuminant}/{observer_deg}; only for {defined}")
    return _CONDITIONS[illuminant, observer_deg]


def _xyz(what: str, color: Lab, illuminant: str, observer_deg: int) -> XYZ:
    return xyz_from_lab(color, _condition(what, illuminant, observer_deg).white)


# Limits of a visual white: light, and near neutral. Common practice, no source.
_WHITE_L, _WHITE_CHROMA = Limit(85.0, None), Limit(None, 10.0)
# Common practice, no source: published results conflict; white was found the weakest colour of a material, and the strongest.
WHITE_CAUTION = (
    "White filament differs by supplier and lot in interlayer strength and shrinkage. Use the values of this lot."
)


def is_white(color_name: str, reference: Lab | None) -> bool:
    """Returns whether a grade is white, by its colour name or by the reference of its shade.

    Args:
        color_name: name of the colour; one that contains "white" is white.
        reference: L*, a*, b* of the approved reference, None without one; L* >= 85 and C*ab <= 10 is white.

    Example:
        >>> is_white("Harbour White", None), is_white("Ecru", Lab(92, 1, 6)), is_white("Slate", Lab(18, 0, 0))
        (True, True, False)
    """
    if "white" in color_name.casefold():
        return True
    return reference is not None and _WHITE_L.allows(reference.L) and _WHITE_CHROMA.allows(reference.chroma)
