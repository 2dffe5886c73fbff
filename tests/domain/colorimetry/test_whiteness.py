"""Whiteness, tint and yellowness. Sources: CIE 15:2004, 9.4; ASTM E313, Table 1; colour-science as an independent implementation."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.tristimulus import XYZ, lab_from_xyz
from lots.domain.colorimetry.whiteness import (
    whiteness_from_lab,
    whiteness_from_xyz,
    yellowness_from_lab,
    yellowness_from_xyz,
)
from tests.domain.builders import WHITE, reference_csv
from tests.domain.strategies import NEAR_WHITE, numbers
from tests.examples import examples
from tests.tolerances import PRINTED_1, PRINTED_8, SAME_FORMULA

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    import colour

D65_10 = XYZ(94.811, 100.0, 107.304)
THOROUGH = examples(200)
CASES = reference_csv("whiteness_yellowness.csv")
COEFFICIENTS = reference_csv("whiteness_yellowness_coefficients.csv")
CONDITIONS = [("C", 2), ("D65", 2), ("C", 10), ("D65", 10)]


def condition(row) -> tuple[str, int]:
    """Illuminant and observer of a row."""
    illuminant, observer = row["condition"].split("/")
    return illuminant, int(observer)


def xyz(row, prefix: str = "") -> XYZ:
    """Tristimulus values of a row."""
    return XYZ(*(float(row[f"{prefix}{axis}"]) for axis in "XYZ"))


@pytest.mark.parametrize("row", CASES, ids=[row["case"] for row in CASES])
def test_the_figures_are_those_of_the_reference(row):
    """Whiteness, tint, yellowness and whether whiteness applies, for eight colours under D65/10 and C/2."""
    found = whiteness_from_xyz(xyz(row), *condition(row))
    assert pytest.approx(float(row["whiteness"]), abs=PRINTED_8) == found.whiteness
    assert pytest.approx(float(row["tint"]), abs=PRINTED_8) == found.tint
    assert pytest.approx(float(row["yellowness_E313"]), abs=PRINTED_8) == yellowness_from_xyz(xyz(row), *condition(row))
    assert ("1" == row["within_CIE_limits"]) == found.valid


@pytest.mark.parametrize("row", CASES, ids=[row["case"] for row in CASES])
def test_a_reading_in_cielab_has_the_same_figures(row):
    """The conversion through CIELAB changes none of them."""
    white = next(xyz(r, "white_") for r in COEFFICIENTS if r["condition"] == row["condition"])
    lab = lab_from_xyz(xyz(row), white)
    found = whiteness_from_lab(lab, *condition(row))
    assert pytest.approx(float(row["whiteness"]), abs=PRINTED_8) == found.whiteness
    assert pytest.approx(float(row["tint"]), abs=PRINTED_8) == found.tint
    assert pytest.approx(float(row["yellowness_E313"]), abs=PRINTED_8) == yellowness_from_lab(lab, *condition(row))


@pytest.mark.parametrize("row", COEFFICIENTS, ids=[row["condition"] for row in COEFFICIENTS])
def test_the_coefficients_are_the_published_ones(row):
    """C_X, C_Z and the weight of x in tint are those of ASTM E313 and CIE 15: read off two colours each, by the formula."""
    c_x = yellowness_from_xyz(XYZ(100.0, 100.0, 0.0), *condition(row)) / 100
    c_z = -yellowness_from_xyz(XYZ(0.0, 100.0, 100.0), *condition(row)) / 100
    assert pytest.approx((float(row["C_X"]), float(row["C_Z"])), abs=SAME_FORMULA) == (c_x, c_z)
    # Two colours with one y whose x differ by 0.1: X, Y, Z = 30, 30, 40 and 20, 30, 50.
    more, less = (whiteness_from_xyz(XYZ(x, 30.0, z), *condition(row)) for x, z in ((30.0, 40.0), (20.0, 50.0)))
    assert pytest.approx(float(row["tint_coefficient_x"]), abs=SAME_FORMULA) == (less.tint - more.tint) / 0.1
    assert (
        pytest.approx(float(row["whiteness_coefficient_x"]), abs=SAME_FORMULA)
        == (less.whiteness - more.whiteness) / 0.1
    )


@pytest.mark.parametrize("conditions", CONDITIONS)
def test_the_perfect_white_is_the_zero_of_every_scale(conditions):
    """Whiteness 100 and tint 0 exactly, yellowness within the rounding of its coefficients, 0.001 (ASTM E313, Table 1)."""
    found = whiteness_from_lab(Lab(100.0, 0.0, 0.0), *conditions)
    assert pytest.approx((100.0, 0.0), abs=SAME_FORMULA) == (found.whiteness, found.tint)
    assert found.valid
    assert abs(yellowness_from_lab(Lab(100.0, 0.0, 0.0), *conditions)) < 0.001


def by_colour_science(lab: Lab) -> tuple[float, float]:
    """Yellowness and whiteness under D65/10 by that library, from CIELAB."""
    xyz_of_it = 100 * colour.Lab_to_XYZ(np.array(lab.as_list()), np.array(D65_10.chromaticity))
    xy = xyz_of_it[:2] / xyz_of_it.sum()
    observer = "CIE 1964 10 Degree Standard Observer"
    whiteness, _ = colour.colorimetry.whiteness_CIE2004(xy, xyz_of_it[1], np.array(D65_10.chromaticity), observer)
    # Its yellowness takes the coefficients as an argument: ASTM E313, Table 1.
    return float(colour.colorimetry.yellowness_ASTME313(xyz_of_it, np.array([1.3013, 1.1498]))), float(whiteness)


@pytest.mark.parametrize(
    ("changed", "yellowness", "whiteness"),
    [(Lab(95, -0.8, 2.5), 1.9, -4.5), (Lab(94, -0.8, 1.5), 0.0, -2.4), (Lab(95, 0.2, 1.5), 0.8, 0.0)],
    ids=["yellower", "darker", "redder"],
)
def test_each_figure_is_blind_to_something(changed, yellowness, whiteness):
    """For a white, b* +1 changes both, L* -1 only whiteness, a* +1 only yellowness (one decimal; colour-science agrees in full)."""
    before, after = ((yellowness_from_lab(lab), whiteness_from_lab(lab).whiteness) for lab in (WHITE, changed))
    assert pytest.approx(by_colour_science(WHITE), abs=SAME_FORMULA) == before
    assert pytest.approx(by_colour_science(changed), abs=SAME_FORMULA) == after
    moved = [late - early for early, late in zip(before, after, strict=True)]
    assert pytest.approx([yellowness, whiteness], abs=PRINTED_1) == moved


@THOROUGH
@given(lab=NEAR_WHITE, more=numbers(0.01, 1), conditions=st.sampled_from(CONDITIONS))
def test_a_yellower_white_is_less_white(lab, more, conditions):
    """A rise in b* alone raises yellowness and lowers whiteness, under every condition."""
    yellower = Lab(lab.L, lab.a, lab.b + more)
    assert yellowness_from_lab(yellower, *conditions) > yellowness_from_lab(lab, *conditions)
    assert whiteness_from_lab(yellower, *conditions).whiteness < whiteness_from_lab(lab, *conditions).whiteness


@THOROUGH
@given(lab=NEAR_WHITE, more=numbers(0.01, 1), conditions=st.sampled_from(CONDITIONS))
def test_a_greener_white_has_the_larger_tint(lab, more, conditions):
    """A fall in a* alone raises the tint: positive is greener (CIE 15)."""
    greener = Lab(lab.L, lab.a - more, lab.b)
    assert whiteness_from_lab(greener, *conditions).tint > whiteness_from_lab(lab, *conditions).tint


@THOROUGH
@given(lab=NEAR_WHITE, share=numbers(0.5, 1), conditions=st.sampled_from(CONDITIONS))
def test_less_light_of_the_same_chromaticity_is_as_yellow(lab, share, conditions):
    """Yellowness and tint depend on the chromaticity alone."""
    x, y, z = 90.0 + lab.a, 95.0, 98.0 - lab.b
    whole, part = XYZ(x, y, z), XYZ(share * x, share * y, share * z)
    assert pytest.approx(yellowness_from_xyz(whole, *conditions), abs=SAME_FORMULA) == yellowness_from_xyz(
        part, *conditions
    )
    found = whiteness_from_xyz(part, *conditions)
    assert pytest.approx(whiteness_from_xyz(whole, *conditions).tint, abs=SAME_FORMULA) == found.tint


def white_with(whiteness: float, tint: float, Y: float = 88.0) -> XYZ:
    """A colour under D65/10 with a whiteness and tint: the two formulas of CIE 15:2004, 9.4 solved for x and y."""
    x_n, y_n = D65_10.chromaticity
    # 800 dx + 1700 dy = W - Y and 900 dx - 650 dy = T, where dx = xn - x and dy = yn - y.
    whole = 800 * 650 + 1700 * 900
    dx = ((whiteness - Y) * 650 + 1700 * tint) / whole
    dy = (900 * (whiteness - Y) - 800 * tint) / whole
    x, y = x_n - dx, y_n - dy
    return XYZ(x * Y / y, Y, (1 - x - y) * Y / y)


@pytest.mark.parametrize(
    ("whiteness", "tint", "words"),
    [
        (40.001, 0.0, []),
        (40.0, 0.0, ["whiteness 40.00 is not above 40"]),
        (159.999, 0.0, []),
        (160.0, 0.0, ["whiteness 160.00 is not below 160.00"]),
        (90.0, 1.999, []),
        (90.0, 2.0, ["tint 2.00 is not below 2.00"]),
        (90.0, -3.999, []),
        (90.0, -4.0, ["tint -4.00 is not above -4"]),
        (30.0, 5.0, ["whiteness 30.00 is not above 40", "tint 5.00 is not below 2.00"]),
    ],
)
def test_the_formula_says_where_it_does_not_apply(whiteness, tint, words):
    """At Y 88 whiteness must be between 40 and 160 and tint between -4 and 2, ends excluded (CIE 15:2004, 9.4); all violations are listed."""
    found = whiteness_from_xyz(white_with(whiteness, tint))
    assert pytest.approx((whiteness, tint), abs=SAME_FORMULA) == (found.whiteness, found.tint)
    assert words == list(found.outside)


def test_a_gray_is_no_white():
    """A neutral gray of Y 50 has whiteness 50, but the formula ends at 5 * 50 - 280 = -30."""
    gray = XYZ(94.811 / 2, 50.0, 107.304 / 2)
    assert ("whiteness 50.00 is not below -30.00",) == whiteness_from_xyz(gray).outside


@pytest.mark.parametrize("conditions", [("D50", 2), ("A", 10), ("D65", 4)])
def test_other_conditions_are_refused(conditions):
    """Neither index is defined for other illuminants or observers, and the message lists the valid ones."""
    for figure in (whiteness_from_lab, yellowness_from_lab):
        with pytest.raises(ValueError, match="only for C/2, D65/2, C/10, D65/10"):
            figure(WHITE, *conditions)


def test_black_has_neither_figure():
    """A surface without reflectance has no chromaticity and no yellowness."""
    with pytest.raises(ValueError, match="no chromaticity"):
        whiteness_from_lab(Lab(0, 0, 0))
    with pytest.raises(ValueError, match="no yellowness"):
        yellowness_from_lab(Lab(0, 0, 0))
