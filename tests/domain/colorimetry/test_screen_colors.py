"""Colours as a screen shows them, held against the other direction of the same standard.

Source: IEC 61966-2-1:1999, sRGB to X, Y, Z (matrix 0.4124 0.3576 0.1805 / 0.2126 0.7152 0.0722 / 0.0193 0.1192 0.9505), from memory; X, Y, Z
to CIELAB by ISO/CIE 11664-4.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.screen_colors import WHITE, Shown, on_screen
from tests.domain.strategies import ANY_LAB, numbers

TO_XYZ = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))


def measured(red, green, blue):
    """The CIELAB colour of an sRGB colour."""
    light = [c / 12.92 if (c := part / 255) <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for part in (red, green, blue)]
    xyz = [sum(by * part for by, part in zip(row, light, strict=True)) for row in TO_XYZ]
    x, y, z = (
        r ** (1 / 3) if (r := part / white) > (6 / 29) ** 3 else r / (3 * (6 / 29) ** 2) + 4 / 29
        for part, white in zip(xyz, WHITE, strict=True)
    )
    return Lab(116 * y - 16, 500 * (x - y), 200 * (y - z))


@given(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
def test_what_a_screen_shows_comes_back(red, green, blue):
    """Every sRGB colour converted to CIELAB and back differs by at most one step of 255, because the standard's matrices are rounded."""
    shown = on_screen(measured(red, green, blue))
    assert shown.in_gamut
    for asked, found in zip((red, green, blue), (shown.red, shown.green, shown.blue), strict=True):
        assert abs(asked - found) <= 1


@given(numbers(0, 100))
def test_a_neutral_colour_is_grey(lightness):
    """Without chroma the three channels agree within one step."""
    shown = on_screen(Lab(lightness, 0, 0))
    assert shown.in_gamut
    assert max(shown.red, shown.green, shown.blue) - min(shown.red, shown.green, shown.blue) <= 1


@given(ANY_LAB)
def test_any_colour_has_something_to_show(color):
    """A colour out of gamut is clipped per channel, never rejected."""
    shown = on_screen(color)
    assert 7 == len(shown.hex)


@pytest.mark.parametrize(
    ("color", "hex_", "inside"),
    [
        (Lab(100, 0, 0), "#ffffff", True),
        (Lab(0, 0, 0), "#000000", True),
        # The screen's own red, printed as (53.24, 80.09, 67.20) in many tables.
        (Lab(53.24, 80.09, 67.20), "#ff0000", True),
        (Lab(50, 90, -90), None, False),
        # Brighter than white: fluorescence.
        (Lab(104, 0, 0), "#ffffff", False),
    ],
    ids=["white", "black", "red", "violet", "brighter than white"],
)
def test_known_colours(color, hex_, inside):
    """Ends of the scale, a primary, and colours out of gamut."""
    shown = on_screen(color)
    assert inside == shown.in_gamut
    assert hex_ in (None, shown.hex)


def test_a_channel_out_of_range_is_refused():
    """A channel must be from 0 to 255."""
    with pytest.raises(ValueError, match="green is 256"):
        Shown(0, 256, 0, in_gamut=True)
