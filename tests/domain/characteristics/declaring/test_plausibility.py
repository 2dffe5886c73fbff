"""Recognised typing errors. Sources: unit conversions; plausible ranges are common practice, no source."""

import math

import pytest

from lots.domain.characteristics.bond.lot_bond import doubt_stress
from lots.domain.characteristics.color.doubts import suspect_lab
from lots.domain.characteristics.declaring.plausibility import doubt_area, doubt_lab
from lots.domain.characteristics.diameter_checks import doubt_diameter
from lots.domain.characteristics.moisture import doubt_moisture
from lots.domain.characteristics.shrinkage.doubts import doubt_shrinkage
from lots.domain.colorimetry.color_values import Lab
from tests.domain.builders import BLACK, WHITE


@pytest.mark.parametrize(
    ("value", "nominal", "hint"),
    [
        (0.0689, 1.75, "inches: 0.0689 in is 1.750 mm"),
        (0.1122, 2.85, "inches: 0.1122 in is 2.850 mm"),
        (0.175, 1.75, "centimetres: 0.175 cm is 1.750 mm"),
        (1750, 1.75, "micrometres: 1750 um is 1.750 mm"),
        (68.9, 1.75, "thousandths of an inch: 68.9 mil is 1.750 mm"),
        (17.5, 1.75, "did you mean 1.75?"),
        (175, 1.75, "did you mean 1.75?"),
        (285, 2.85, "did you mean 2.85?"),
        (2.85, 1.75, "looks like 2.85 mm filament"),
        (1.75, 2.85, "looks like 1.75 mm filament"),
        (1.2, 1.75, "Measure again"),
        (0.0, 1.75, "Measure again"),
        (-1.75, 1.75, "Measure again"),
        (math.nan, 1.75, "Measure again"),
    ],
)
def test_a_diameter_that_cannot_be_is_doubted_with_what_probably_happened(value, nominal, hint):
    """A diameter in another unit, with a misplaced point or of the other size is refused with a hint, never converted."""
    found = doubt_diameter("d1_mm", value, nominal)
    assert "d1_mm" == found.field
    assert hint in found.hint
    assert f"nominal {nominal:g} mm" in found.detail


@pytest.mark.parametrize(("value", "nominal"), [(1.75, 1.75), (1.55, 1.75), (1.95, 1.75), (2.85, 2.85), (2.6, 2.85)])
def test_a_bad_but_possible_diameter_is_believed(value, nominal):
    """Filament far outside its tolerance is accepted as a reading."""
    assert doubt_diameter("d1_mm", value, nominal) is None


@pytest.mark.parametrize(
    ("designed", "measured", "field", "hint"),
    [
        (100, 3.921, "measured_mm", "inches: 3.921 in is 99.593 mm"),
        (100, 9.96, "measured_mm", "centimetres: 9.96 cm is 99.600 mm"),
        (4, 101.2, "designed_mm", "designed length looks like inches: 4 in is 101.600 mm"),
        (10, 99.7, "designed_mm", "designed length looks like centimetres: 10 cm is 100.000 mm"),
        (100, 0.4, "measured_mm", "not the shrinkage"),
        (100, 0.996, "measured_mm", "not the shrinkage"),
        (100, 50, "measured_mm", "same feature"),
        (100, 130, "measured_mm", "same feature"),
    ],
    ids=["inches", "centimetres", "designed-inches", "designed-cm", "percent", "fraction", "half", "too-long"],
)
def test_lengths_that_cannot_be_a_coupon_are_doubted(designed, measured, field, hint):
    """A coupon length in another unit, or the shrinkage in its place, is refused with a hint."""
    found = doubt_shrinkage(designed, measured)
    assert field == found.field
    assert hint in found.hint


@pytest.mark.parametrize("measured", [99.6, 100.3, 95.0, 91.0, 104.9])
def test_a_coupon_that_shrank_badly_is_believed(measured):
    """Readings from 5 % growth to 10 % shrinkage are accepted."""
    assert doubt_shrinkage(100, measured) is None


@pytest.mark.parametrize(
    ("percent", "hint"),
    [
        (250, "ppm: 250 ppm is 0.025 %"),
        (400, "ppm: 400 ppm is 0.04 %"),
        (0.00025, "fraction: 0.00025 is 0.025 %"),
        (-0.1, "Enter percent by mass, 0 to 5."),
        (80_000, "Enter percent by mass, 0 to 5."),
        (math.nan, "Enter percent by mass, 0 to 5."),
    ],
    ids=["ppm", "ppm-of-resin", "fraction", "negative", "absurd", "nan"],
)
def test_a_moisture_in_another_unit_is_doubted(percent, hint):
    """250 ppm and a fraction of 0.00025 are recognised as 0.025 % (conversion)."""
    assert hint in doubt_moisture(percent).hint


@pytest.mark.parametrize("percent", [0.0, 0.0005, 0.025, 0.75, 5.0])
def test_a_moisture_that_can_be_is_believed(percent):
    """Moisture from 0 to 5 % by mass is accepted."""
    assert doubt_moisture(percent) is None


@pytest.mark.parametrize(
    ("field", "stress", "hint"),
    [
        ("stress_mpa", 12_100_000.0, "pascals: 12.1 MPa"),
        ("stress_mpa", 3307.0, "psi: 22.8 MPa"),
        ("stress_mpa", 0.0, "Enter megapascals (N/mm2)."),
        ("stress_mpa", -12.0, "Enter megapascals (N/mm2)."),
        ("break_force_n", 0.01, "force is in newtons"),
        ("break_force_n", 2000.0, "force is in newtons"),
    ],
    ids=["pascals", "psi", "zero", "negative", "force-too-small", "force-too-large"],
)
def test_a_stress_in_another_unit_is_doubted(field, stress, hint):
    """Pascals and psi are recognised, and a stress computed from a force points at the force (145.038 psi per MPa)."""
    found = doubt_stress(field, stress)
    assert field == found.field
    assert hint in found.hint


@pytest.mark.parametrize("stress", [0.1, 9.2, 59.06, 500.0])
def test_a_stress_that_can_be_is_believed(stress):
    """A breaking stress from 0.1 to 500 MPa is accepted."""
    assert doubt_stress("stress_mpa", stress) is None


@pytest.mark.parametrize(
    ("lab", "uv", "says"),
    [
        ((950, -0.8, 1.5), None, "L* is 950"),
        ((95, 200, 1.5), None, "a* is 200"),
        ((95, -0.8, math.nan), None, "b* is nan"),
        ((101.5, 1.0, -8.0), "excluded", "L* is 101.5, above 100."),
        ((101.5, 1.0, -8.0), None, "L* is 101.5, above 100."),
    ],
    ids=["lightness", "red", "nan", "bright-without-uv", "bright-uv-unknown"],
)
def test_numbers_that_are_no_colour_of_plastic_are_doubted(lab, uv, says):
    """Coordinates out of range are refused, and so is a lightness above 100 unless UV was included."""
    found = doubt_lab(lab, uv)
    assert ("lab", True) == (found.field, says in found.detail)


@pytest.mark.parametrize(
    ("lab", "uv"), [((95, -0.8, 1.5), None), ((18, 0.1, -0.4), "excluded"), ((101.5, 1, -8), "included")]
)
def test_colours_that_can_be_are_believed(lab, uv):
    """Whites, blacks and brightened whites measured with UV included are accepted."""
    assert doubt_lab(lab, uv) is None


PINK = Lab(60.0, 30.0, 12.0)


@pytest.mark.parametrize(
    ("reading", "others", "slip"),
    [
        (Lab(95, 0.8, 1.5), WHITE, "a* may have lost its minus sign"),
        (Lab(95, -0.8, -1.5), WHITE, "b* may have gained a minus sign"),
        (Lab(95, 1.5, -0.8), WHITE, "a* and b* may be swapped"),
        (Lab(95.4, 0.8, 1.5), WHITE, "a* may have lost its minus sign"),
        (Lab(60, 12, 30), PINK, "a* and b* may be swapped"),
        (Lab(60, -30, 12), PINK, "a* may have gained a minus sign"),
        (Lab(60, -30, -12), PINK, "a* and b* may both have the wrong sign"),
    ],
    ids=[
        "sign-of-a",
        "sign-of-b",
        "swapped-white",
        "sign-of-a-and-lighter",
        "swapped-pink",
        "sign-of-a-gained",
        "both-signs",
    ],
)
def test_a_swap_or_a_lost_sign_is_warned_of(reading, others, slip):
    """A reading that agrees with its lot after undoing a swap or a sign error gets a warning with the lot's mean."""
    warning = suspect_lab(reading, others)
    assert warning.startswith(slip)
    assert f"L* {others.L:.2f}, a* {others.a:.2f}, b* {others.b:.2f}" in warning


@pytest.mark.parametrize(
    ("reading", "others"),
    [
        (WHITE, WHITE),
        (Lab(95, -0.8, 2.4), WHITE),
        (Lab(93, -0.8, 1.5), WHITE),
        (Lab(18, -0.1, 0.4), BLACK),
        (Lab(95.8, 0.8, 1.5), WHITE),
    ],
    ids=["same", "yellower", "darker", "too-near-to-tell", "sign-explains-too-little"],
)
def test_an_honest_difference_is_not_suspected(reading, others):
    """A drifted lot, or a near-neutral colour with small components, gets no warning."""
    assert suspect_lab(reading, others) is None


@pytest.mark.parametrize(
    ("area", "hint"),
    [
        (100, "This looks like cm²: 100 cm² is 1 dm². Enter dm²."),
        (10_000, "This looks like mm²: 10000 mm² is 1 dm². Enter dm²."),
        (0.005, "This looks like m²: 0.005 m² is 0.5 dm². Enter dm²."),
        (0.01, None),
        (20, None),
        (20.1, "This looks like cm²: 20.1 cm² is 0.201 dm². Enter dm²."),
    ],
)
def test_an_area_in_another_unit_is_recognised(area, hint):
    """A first layer of a square metre was probably meant in cm2; the ends are inclusive. Common practice, no source."""
    found = doubt_area("area_dm2", area, "dm²", 0.01, 20, "a first layer")
    assert hint == (found.hint if found else None)
