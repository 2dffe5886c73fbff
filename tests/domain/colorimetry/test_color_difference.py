"""Colour differences against published pairs, reference columns and trade figures. Sources.

Published: Sharma, Wu and Dalal 2005, Color Res. Appl. 30(1), 21-30, Table 1.
Other columns of the pairs file: computed with colour-science 0.4.7.
Figures marked "computed" below: with colour-science, to the decimals given.
"""

import math

import pytest

from lots.domain.colorimetry.color_difference import (
    DEFAULT_WEIGHTS,
    checked_weights,
    components,
    delta_e,
    delta_e_among,
    mean_difference_from_mean,
)
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from tests.domain.builders import BLACK, WHITE, reference_csv
from tests.tolerances import HUE_NUDGE, PRINTED_10, SAME_FORMULA, SAME_RULE, SAME_SUM

PAIRS = reference_csv("ciede2000_sharma_pairs.csv")
IDS = [f"pair-{row['pair']}" for row in PAIRS]
COLUMNS = {
    "dE76": ("CIE76", None),
    "dE94_graphic": ("CIE94", (1.0, 0.045, 0.015)),
    "dE94_textile": ("CIE94", (2.0, 0.048, 0.014)),
    "dE00": ("CIEDE2000", None),
    "dE00_kL2": ("CIEDE2000", (2.0, 1.0, 1.0)),
    "cmc_1_1": ("CMC", (1.0, 1.0)),
    "cmc_2_1": ("CMC", (2.0, 1.0)),
}


def pair(row: dict[str, str]) -> tuple[Lab, Lab]:
    """Both colours of a published pair, the reference first."""
    return (
        Lab(float(row["L1"]), float(row["a1"]), float(row["b1"])),
        Lab(float(row["L2"]), float(row["a2"]), float(row["b2"])),
    )


@pytest.mark.parametrize("row", PAIRS, ids=IDS)
def test_ciede2000_prints_the_published_four_decimals(row):
    """Each of the 34 published pairs has the printed four decimals (Sharma, Wu and Dalal 2005, Table 1)."""
    assert row["dE00_published"] == f"{delta_e(*pair(row)):.4f}"


@pytest.mark.parametrize("row", PAIRS, ids=IDS)
def test_ciede2000_does_not_mind_which_colour_is_the_reference(row):
    """Each published pair gives the same difference both ways, because CIEDE2000 is symmetric."""
    reference, sample = pair(row)
    assert pytest.approx(delta_e(reference, sample), abs=SAME_FORMULA) == delta_e(sample, reference)


@pytest.mark.parametrize("column", COLUMNS)
def test_every_formula_gives_the_reference_column(column):
    """Every formula and weighting agrees with colour-science on each published pair, to the ten decimals of the file."""
    formula, weights = COLUMNS[column]
    printed = [float(row[column]) for row in PAIRS]
    assert pytest.approx(printed, abs=PRINTED_10) == [delta_e(*pair(row), formula, weights) for row in PAIRS]


@pytest.mark.parametrize(
    ("number", "at_most_180", "above_180"),
    [(10, 7.1792, 7.2195), (14, 4.8045, 4.7461)],
    ids=["pair-10", "pair-14"],
)
def test_opposite_hues_fall_on_the_published_side_of_the_cliff(number, at_most_180, above_180):
    """Two hues exactly 180 degrees apart have the mean hue of "at most 180", which rounding would otherwise decide.

    The formula is discontinuous there: the next published pair (11, 15), a ten-thousandth of a unit further, is on the other side.
    """
    here, next_pair = PAIRS[number - 1], PAIRS[number]
    reference, sample = pair(here)
    assert at_most_180 == round(delta_e(reference, sample), 4)
    assert above_180 == round(delta_e(*pair(next_pair)), 4)
    # A last bit more or less of the coordinate that sets the hue leaves the difference where it is.
    for nudged in (math.nextafter(sample.a, 9), math.nextafter(sample.a, -9)):
        assert at_most_180 == round(delta_e(reference, Lab(sample.L, nudged, sample.b)), 4)


def test_exactly_opposite_hues_join_on_to_nearly_opposite_ones():
    """For all hues a pair exactly 180 degrees apart agrees with one a millionth of a degree less.

    Some such pairs are 180.00000000000003 degrees apart in binary, which must not change the side.
    """
    for degrees in range(180):
        here, short_of_opposite = math.radians(degrees), math.radians(degrees + 180 - 1e-6)
        reference = Lab(50.0, 2 * math.cos(here), 2 * math.sin(here))
        opposite = Lab(50.0, -reference.a, -reference.b)
        nearly = Lab(50.0, 2 * math.cos(short_of_opposite), 2 * math.sin(short_of_opposite))
        assert pytest.approx(delta_e(reference, nearly), abs=HUE_NUDGE) == delta_e(reference, opposite)


def at(hue: float, chroma: float) -> Lab:
    """A colour of this hue, in degrees, and chroma."""
    return Lab(50.0, chroma * math.cos(math.radians(hue)), chroma * math.sin(math.radians(hue)))


@pytest.mark.parametrize("hue", [0, 45, 90, 135, 179.9, 180.1, 225, 270, 315])
def test_a_hair_more_than_opposite_is_still_opposite(hue):
    """Hues 180.0000000005 degrees apart, in either order, agree with those a millionth of a degree below 180.

    The definition puts them on the other side of the discontinuity (eq. 14), which is up to 17 at these chromas.
    """
    reference = at(hue, 40.0)
    side = 1 if hue < 180 else -1
    short = delta_e(reference, at(hue + side * (180 - 1e-6), 3.0))
    for hair in (5e-10, 0.0, -5e-10):
        sample = at(hue + side * (180 + hair), 3.0)
        assert pytest.approx(short, abs=HUE_NUDGE) == delta_e(reference, sample)
        assert pytest.approx(delta_e(reference, sample), abs=SAME_RULE) == delta_e(sample, reference)


@pytest.mark.parametrize("zero", [0.0, -0.0])
@pytest.mark.parametrize("other_zero", [0.0, -0.0])
def test_pure_red_and_pure_green_have_a_mean_hue_of_90_degrees(zero, other_zero):
    """Hues of exactly 0 and 180 degrees have half their sum as mean (eq. 14), whatever the sign of a zero and the order."""
    red, green, nearly = Lab(50.0, 30.0, zero), Lab(50.0, -40.0, other_zero), at(180 - 1e-6, 40.0)
    expected = delta_e(Lab(50.0, 30.0, 0.0), nearly)
    assert pytest.approx(expected, abs=HUE_NUDGE) == delta_e(red, green)
    assert delta_e(red, green) == delta_e(green, red)
    assert abs(expected - delta_e(red, at(180 + 1e-6, 40.0))) > 1e-5


def test_mirrored_hues_have_a_mean_hue_of_zero():
    """Hues symmetric about 0 degrees have a mean of 0, the published side of the step there, like those a millionth further.

    For a mean hue of nearly 360 the rotation term is one of 5.8e-4 degrees, for 0 it is none (eqs. 14 and 16).
    """
    for hue in range(1, 90):
        reference, mirrored = at(hue, 20.0), at(-hue, 30.0)
        expected = delta_e(reference, at(-hue + 1e-6, 30.0))
        assert pytest.approx(expected, abs=HUE_NUDGE) == delta_e(reference, mirrored)
        assert pytest.approx(expected, abs=HUE_NUDGE) == delta_e(mirrored, reference)


# Change of one coordinate by 1.0 seen by each formula; computed, to two decimals. The black darker by one: 0.67, lighter: 0.68.
SENSITIVITY = [
    ("white lighter", WHITE, (1, 0, 0), 1.00, 0.60, 0.34, 0.69),
    ("white darker", WHITE, (-1, 0, 0), 1.00, 0.60, 0.34, 0.69),
    ("white redder", WHITE, (0, 1, 0), 1.00, 1.47, 1.37, 1.37),
    ("white yellower", WHITE, (0, 0, 1), 1.00, 0.92, 1.35, 1.35),
    ("black lighter", BLACK, (1, 0, 0), 1.00, 0.68, 0.89, 1.79),
    ("black darker", BLACK, (-1, 0, 0), 1.00, 0.67, 0.89, 1.79),
    ("black redder", BLACK, (0, 1, 0), 1.00, 1.44, 1.51, 1.51),
    ("black yellower", BLACK, (0, 0, 1), 1.00, 0.99, 1.51, 1.51),
]


@pytest.mark.parametrize(
    ("name", "reference", "change", "cie76", "ciede2000", "cmc_2_1", "cmc_1_1"),
    SENSITIVITY,
    ids=[row[0].replace(" ", "-") for row in SENSITIVITY],
)
def test_formulas_weigh_one_unit_of_each_coordinate_differently(
    name, reference, change, cie76, ciede2000, cmc_2_1, cmc_1_1
):
    """One unit of lightness, redness or yellowness has a different weight in each formula, so limits do not carry over."""
    sample = Lab(*(start + by for start, by in zip(reference.as_list(), change, strict=True)))
    seen = [
        delta_e(reference, sample, "CIE76"),
        delta_e(reference, sample),
        delta_e(reference, sample, "CMC", (2, 1)),
        delta_e(reference, sample, "CMC", (1, 1)),
    ]
    assert [cie76, ciede2000, cmc_2_1, cmc_1_1] == [round(value, 2) for value in seen], name


@pytest.mark.parametrize(
    ("sample", "cie76", "ciede2000"),
    [(Lab(95.0, -0.05, 1.5), 0.75, 1.09), (Lab(93.6, -0.8, 1.5), 1.40, 0.84)],
    ids=["pink-cast-fails-only-ciede2000", "darkening-fails-only-cie76"],
)
def test_the_formula_decides_the_verdict_on_a_white(sample, cie76, ciede2000):
    """Under one limit of 1.0 a pinker white passes CIE76 alone, and a darker one CIEDE2000 alone (computed)."""
    assert cie76 == round(delta_e(WHITE, sample, "CIE76"), 2)
    assert ciede2000 == round(delta_e(WHITE, sample), 2)


@pytest.mark.parametrize(
    ("b", "difference", "passes"), [(2.58, "0.993", True), (2.59, "1.002", False)], ids=["b-2.58", "b-2.59"]
)
def test_a_limit_of_one_is_held_against_the_unrounded_difference(b, difference, passes):
    """Of two whites that both print as 1.0, 0.9926 passes a limit of 1.0 and 1.0016 does not (computed)."""
    found = delta_e(WHITE, Lab(95.0, -0.8, b))
    assert difference == f"{found:.3f}"
    assert passes is Limit(None, 1.0).allows(found)


@pytest.mark.parametrize("formula", ["CIE94", "CMC"])
def test_cie94_and_cmc_depend_on_which_colour_is_the_reference(formula):
    """CIE94 and CMC depend on the reference, so pair 17 swapped gives another number (CIE 116-1995, BS 6923)."""
    reference, sample = pair(PAIRS[16])
    assert abs(delta_e(reference, sample, formula) - delta_e(sample, reference, formula)) > 1


@pytest.mark.parametrize(
    ("formula", "expected"),
    [("CIE76", "11.1803"), ("CIE94", "7.0598"), ("CMC", "9.2974"), ("CIEDE2000", "6.7675")],
)
def test_whole_numbers_are_colours_like_any_others(formula, expected):
    """A colour in whole numbers has the difference of colour-science, to the decimals given."""
    assert expected == f"{delta_e(Lab(50, 20, 10), Lab(50, 30, 5), formula):.4f}"
    assert expected == f"{delta_e_among([Lab(50, 20, 10), Lab(50, 30, 5)], formula)[0, 1]:.4f}"


@pytest.mark.parametrize(
    ("sample", "words"),
    [
        (Lab(95.5, -0.8, 1.5), "lighter"),
        (Lab(94.5, -0.8, 1.5), "darker"),
        (Lab(95.0, -0.3, 1.5), "redder"),
        (Lab(95.0, -1.3, 1.5), "greener"),
        (Lab(95.0, -0.8, 2.2), "yellower"),
        (Lab(95.0, -0.8, 0.9), "bluer"),
        (Lab(94.9, -0.7, 2.2), "darker, redder, yellower"),
        (Lab(95.004, -0.804, 1.504), "no difference"),
    ],
    ids=["lighter", "darker", "redder", "greener", "yellower", "bluer", "three-at-once", "too-small-to-print"],
)
def test_a_difference_says_its_direction(sample, words):
    """The signs of dL*, da*, db* read as lighter/darker, redder/greener, yellower/bluer (ISO/CIE 11664-4); 0.00 gives no word."""
    assert words == components(WHITE, sample).direction


@pytest.mark.parametrize("row", PAIRS, ids=IDS)
def test_components_rebuild_the_euclidean_difference(row):
    """dE76 squared is dL squared plus dC squared plus dH squared on each published pair (ISO/CIE 11664-4)."""
    reference, sample = pair(row)
    parts = components(reference, sample)
    rebuilt = math.sqrt(parts.dL**2 + parts.dC**2 + parts.dH**2)
    assert pytest.approx(delta_e(reference, sample, "CIE76"), abs=SAME_FORMULA) == rebuilt


def test_hue_difference_is_positive_towards_larger_hue_angles():
    """From pure red a step towards yellow has a positive dH and one towards blue a negative one (ISO/CIE 11664-4)."""
    red = Lab(50.0, 40.0, 0.0)
    assert components(red, Lab(50.0, 39.0, 8.0)).dH > 0 > components(red, Lab(50.0, 39.0, -8.0)).dH


def test_spread_is_the_mean_difference_from_the_mean():
    """Two whites 0.6 on either side of their mean have an MCDM of 0.6 in CIE76 (arithmetic); one white has none."""
    assert pytest.approx(0.6, abs=SAME_SUM) == mean_difference_from_mean([Lab(95, 0, 2.1), Lab(95, 0, 0.9)], "CIE76")
    assert mean_difference_from_mean([WHITE]) == 0


@pytest.mark.parametrize(
    ("formula", "weights", "says"),
    [
        ("CIE2000", None, "formula is 'CIE2000'; it must be one of CIE76, CIE94, CMC, CIEDE2000"),
        ("CMC", (2.0,), r"CMC takes 2 weights \(l, c\), got 1"),
        ("CIEDE2000", (1.0, 1.0), r"CIEDE2000 takes 3 weights \(kL, kC, kH\), got 2"),
        ("CIE76", (2.0,), r"CIE76 takes 0 weights \(none\), got 1"),
        ("CIE94", (1.0, 0.0, 0.015), "the weights of CIE94 must be positive numbers"),
        ("CIE94", (1.0, -0.045, 0.015), "the weights of CIE94 must be positive numbers"),
        ("CMC", (math.nan, 1.0), "the weights of CMC must be positive numbers"),
        ("CMC", (math.inf, 1.0), "the weights of CMC must be positive numbers"),
    ],
    ids=["unknown", "too-few", "two-of-three", "none-taken", "zero", "negative", "nan", "infinite"],
)
def test_wrong_weights_are_refused_with_what_is_wrong(formula, weights, says):
    """An unknown formula, a wrong number of weights or a non-positive one raises with the expected ones."""
    with pytest.raises(ValueError, match=says):
        delta_e(WHITE, BLACK, formula, weights)


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
def test_no_weights_means_the_formulas_own(formula):
    """No weights and an empty list both mean the formula's own."""
    assert DEFAULT_WEIGHTS[formula] == checked_weights(formula, None) == checked_weights(formula, [])


def test_neutral_weights_say_nothing_to_cie76():
    """CIE76 has no weights and accepts the neutral 1, 1, 1."""
    assert checked_weights("CIE76", [1, 1, 1]) == ()
