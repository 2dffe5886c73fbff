"""Colour differences against two other implementations: colour-science (live) and colormath's own CIEDE2000."""

import math
import warnings

import numpy as np
import pytest
from colormath import color_diff_matrix
from hypothesis import assume, given

from lots.domain.colorimetry.color_difference import ciede2000, delta_e
from lots.domain.colorimetry.color_values import Lab
from tests.domain.builders import reference_csv, reference_json
from tests.domain.strategies import st, steps
from tests.examples import examples
from tests.tolerances import HUE_WRAP_RELATIVE, SAME_FORMULA

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")
    from colour.difference import delta_E_CIE1976, delta_E_CIE1994, delta_E_CIE2000, delta_E_CMC

FORMULAS = {
    "CIE76": ("CIE76", None, delta_E_CIE1976),
    "CIE94-graphic-arts": ("CIE94", (1.0, 0.045, 0.015), delta_E_CIE1994),
    "CIE94-textiles": ("CIE94", (2.0, 0.048, 0.014), lambda one, two: delta_E_CIE1994(one, two, textiles=True)),
    "CMC-1-1": ("CMC", (1.0, 1.0), lambda one, two: delta_E_CMC(one, two, l=1, c=1)),
    "CMC-2-1": ("CMC", (2.0, 1.0), lambda one, two: delta_E_CMC(one, two, l=2, c=1)),
    "CIEDE2000": ("CIEDE2000", None, delta_E_CIE2000),
    "CIEDE2000-textiles": ("CIEDE2000", (2.0, 1.0, 1.0), lambda one, two: delta_E_CIE2000(one, two, textiles=True)),
}


def published() -> tuple[np.ndarray, np.ndarray]:
    """The 34 pairs of Sharma, Wu and Dalal 2005, Table 1."""
    rows = reference_csv("ciede2000_sharma_pairs.csv")
    return tuple(np.array([[float(row[f"{axis}{i}"]) for axis in "Lab"] for row in rows]) for i in (1, 2))


def drawn(seed: int, count: int, far: bool) -> tuple[np.ndarray, np.ndarray]:
    """Random pairs: anywhere in CIELAB, or near-neutral and close together, as filament is."""
    rng = np.random.default_rng(seed)
    if far:
        low, high = np.array([0, -120, -120]), np.array([100, 120, 120])
        return rng.uniform(low, high, (count, 3)), rng.uniform(low, high, (count, 3))
    one = rng.uniform([10, -3, -3], [97, 3, 3], (count, 3))
    return one, one + rng.normal(0, 0.7, (count, 3))


SETS = {
    "published-pairs": published(),
    "300-anywhere": drawn(1, 300, far=True),
    "300-near-neutral": drawn(2, 300, far=False),
}


def ours(formula: str, weights: tuple[float, ...] | None, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Differences computed by this project."""
    return np.array([delta_e(Lab(*a), Lab(*b), formula, weights) for a, b in zip(one, two, strict=True)])


@pytest.mark.parametrize("pairs", SETS)
@pytest.mark.parametrize("name", FORMULAS)
def test_every_formula_agrees_with_colour_science(name, pairs):
    """Each formula and weighting agrees with colour-science on published and random pairs."""
    formula, weights, library = FORMULAS[name]
    one, two = SETS[pairs]
    theirs = np.array([float(library(a, b)) for a, b in zip(one, two, strict=True)])
    assert pytest.approx(theirs, abs=SAME_FORMULA) == ours(formula, weights, one, two)


# As instruments print them, so that greys, equal hues and hues a right angle apart are drawn often.
PRINTED = st.builds(Lab, steps(0, 100, 0.5), *[st.one_of(steps(-3, 3, 0.5), steps(-120, 120, 0.01))] * 2)


@examples(500)
@given(one=PRINTED, two=PRINTED)
def test_any_printed_colours_differ_as_in_colour_science(one, two):
    """CIEDE2000 with hues as vectors agrees with hues as angles, except at the two discontinuities, where rounding decides.

    Those are opposite hues, and hues symmetric about 0 degrees; test_color_difference.py tests these pairs.
    """
    cross, mirror = one.a * two.b - one.b * two.a, one.a * two.b + one.b * two.a
    opposite = abs(cross) < 1e-9 and one.a * two.a + one.b * two.b < 0
    mirrored = abs(mirror) < 1e-9 and one.b * two.b < 0
    assume(not opposite and not mirrored)
    definition = float(delta_E_CIE2000(np.array(one.as_list()), np.array(two.as_list())))
    assert pytest.approx(definition, abs=SAME_FORMULA) == ciede2000(one, two)


def hues(one: Lab, two: Lab) -> tuple[float, float]:
    """The two hue angles of CIEDE2000, in degrees, after stretching a* (Sharma, Wu and Dalal 2005, eqs. 4-7)."""
    seventh = ((one.chroma + two.chroma) / 2) ** 7
    stretch = 1.5 - 0.5 * math.sqrt(seventh / (seventh + 25.0**7))
    return tuple(math.degrees(math.atan2(color.b, stretch * color.a)) % 360 for color in (one, two))


def wraps(one: Lab, two: Lab) -> bool:
    """True where the hues lie on either side of 0 degrees and their mean is just above it, so that 360 must be subtracted."""
    first, second = hues(one, two)
    return abs(first - second) > 180 and first + second >= 360


def both_codes(pairs: str) -> list[tuple[bool, float, float]]:
    """Per pair: whether the mean hue wraps, CIEDE2000 by this project, and by colormath's matrix function."""
    found = []
    for a, b in zip(*SETS[pairs], strict=True):
        one, two = Lab(*a), Lab(*b)
        found.append((wraps(one, two), ciede2000(one, two), float(color_diff_matrix.delta_e_cie2000(a, b[None, :])[0])))
    return found


@pytest.mark.parametrize("pairs", SETS)
def test_colormath_agrees_where_the_mean_hue_does_not_wrap(pairs):
    """The CIEDE2000 of colormath equals the definition wherever the mean hue needs no subtraction of 360."""
    straight = [(mine, theirs) for wrapped, mine, theirs in both_codes(pairs) if not wrapped]
    assert len(straight) >= len(SETS[pairs][0]) / 2
    assert pytest.approx([theirs for _, theirs in straight], abs=SAME_FORMULA) == [mine for mine, _ in straight]


@pytest.mark.parametrize("pairs", ["300-anywhere", "300-near-neutral"])
def test_colormath_departs_by_a_bounded_amount_where_the_mean_hue_wraps(pairs):
    """Colormath always adds 360 to a straddling hue sum, so a mean hue of 1 degree counts as 361 in the blue rotation term.

    Cosines are not affected; the term exp(-((h - 275) / 25)^2) is. HUE_WRAP_RELATIVE derives the bound.
    """
    wrapped = [(mine, theirs) for wraps_here, mine, theirs in both_codes(pairs) if wraps_here]
    assert wrapped
    assert any(abs(mine - theirs) > 1e-12 for mine, theirs in wrapped), "the two codes do differ"
    assert pytest.approx([theirs for _, theirs in wrapped], rel=HUE_WRAP_RELATIVE) == [mine for mine, _ in wrapped]


def test_the_recorded_disagreement_is_the_one_bounded_here():
    """The reference file records the same cause, a hue sum that straddles 0 degrees, for no other formula."""
    recorded = reference_json("colormath_disagreements.json")["matrix_functions"]
    assert "hues straddle 0 degrees" in recorded["cie2000"]
    assert {"agrees below 1e-10"} == {recorded[name] for name in ("cie1976", "cie1994", "cmc")}


def test_a_pair_with_wrapping_hues_follows_the_definition():
    """On two saturated pinks on either side of hue 0 this project equals colour-science, and colormath differs in the sixth figure."""
    one, two = Lab(50.0, 60.0, -5.0), Lab(52.0, 40.0, 8.0)
    assert wraps(one, two)
    definition = float(delta_E_CIE2000(np.array(one.as_list()), np.array(two.as_list())))
    theirs = float(color_diff_matrix.delta_e_cie2000(np.array(one.as_list()), np.array([two.as_list()]))[0])
    assert pytest.approx(definition, abs=SAME_FORMULA) == ciede2000(one, two)
    assert SAME_FORMULA < abs(theirs - definition) < HUE_WRAP_RELATIVE * definition
