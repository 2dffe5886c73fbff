"""Tristimulus values and CIELAB. Sources: ISO/CIE 11664-4; colour-science as an independent implementation."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import assume, given

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.tristimulus import XYZ, lab_from_xyz, lightness, luminous_reflectance, xyz_from_lab
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour import Lab_to_XYZ, XYZ_to_Lab, XYZ_to_xy

THOROUGH = examples(200)
# White of D65 and the 10 degree observer, ASTM E308 (from memory).
D65_10 = XYZ(94.811, 100.0, 107.304)
WHITE_XY = np.array(D65_10.chromaticity)
COLORS = [XYZ(45.2, 40.7, 8.0), XYZ(0.3, 0.35, 0.5), XYZ(0.0, 0.0, 0.0), XYZ(8.4, 7.3, 29.7), XYZ(83.9, 88.3, 120.0)]


@pytest.mark.parametrize("color", COLORS, ids=["yellow", "black", "nothing", "blue", "brightened"])
def test_cielab_is_what_colour_science_makes_it(color):
    """A chromatic colour, one on the linear part near black, black itself, and a brightened white agree."""
    theirs = XYZ_to_Lab(np.array(color.as_tuple()) / 100, WHITE_XY)
    assert pytest.approx(theirs, abs=SAME_FORMULA) == lab_from_xyz(color, D65_10).as_list()


@pytest.mark.parametrize("lab", [Lab(95, -0.8, 1.5), Lab(4, 0.1, -0.4), Lab(40, 60, -50), Lab(100, 0, 0)])
def test_the_way_back_is_what_colour_science_makes_it(lab):
    """Whites, blacks and saturated colours have the same tristimulus values."""
    theirs = 100 * Lab_to_XYZ(np.array(lab.as_list()), WHITE_XY)
    assert pytest.approx(theirs, abs=SAME_FORMULA) == xyz_from_lab(lab, D65_10).as_tuple()


def test_the_chromaticity_is_what_colour_science_makes_it():
    """Both are shares of the sum of X, Y and Z."""
    assert pytest.approx(XYZ_to_xy(np.array([45.2, 40.7, 8.0])), abs=SAME_FORMULA) == COLORS[0].chromaticity


@THOROUGH
@given(X=numbers(0, 110), Y=numbers(0, 110), Z=numbers(0, 120))
def test_there_and_back_is_the_same_colour(X, Y, Z):
    """The tristimulus values of any surface survive the conversion to CIELAB and back."""
    color = XYZ(X, Y, Z)
    try:
        lab = lab_from_xyz(color, D65_10)
    except ValueError:
        assume(False)
    assert pytest.approx(color.as_tuple(), abs=SAME_FORMULA) == xyz_from_lab(lab, D65_10).as_tuple()


@THOROUGH
@given(L=numbers(0, 110))
def test_lightness_and_reflectance_are_inverse(L):
    """L* to Y and back is the same lightness, and Y depends on L* alone."""
    Y = luminous_reflectance(L)
    assert pytest.approx(L, abs=SAME_FORMULA) == lightness(Y)
    assert pytest.approx(Y, abs=SAME_FORMULA) == xyz_from_lab(Lab(L, 0, 0), D65_10).Y


@pytest.mark.parametrize("bad", [-0.001, 300.1, math.nan, math.inf])
def test_no_surface_reads_such_a_value(bad):
    """A negative, far too large or invalid value is rejected with name and range."""
    with pytest.raises(ValueError, match=r"Z is .* from 0 to 300"):
        XYZ(1.0, 1.0, bad)


def test_a_colour_that_would_reflect_less_than_nothing_is_refused():
    """Black with a strong green would require a negative X."""
    with pytest.raises(ValueError, match="below zero"):
        xyz_from_lab(Lab(0, -100, 0), D65_10)


def test_a_white_without_light_is_refused():
    """A reference white with a value of 0 is rejected."""
    with pytest.raises(ValueError, match="none of its values may be 0"):
        lab_from_xyz(XYZ(1, 1, 1), XYZ(95, 100, 0))


def test_nothing_has_no_chromaticity():
    """A surface without reflectance has no x and y."""
    with pytest.raises(ValueError, match="no chromaticity"):
        _ = XYZ(0, 0, 0).chromaticity
