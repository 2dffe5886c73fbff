"""Metamerism. Source: two pairs of curves with indices computed by colour-science, multiplicative correction."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.metamerism import metamerism
from lots.domain.colorimetry.spectra import Spectrum
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import SAME_FORMULA, TABULATED_WEIGHTS_IN_LAB

QUICK = examples(60)
PAIRS = reference_json("spectral_reference.json")["metamerism"]
CASES = [(pair, test) for pair in PAIRS for test in pair["test"]]
FORMULAS = {"CIE76": "dE76", "CIEDE2000": "dE00"}
PLAUSIBLE = st.lists(numbers(0.05, 1), min_size=31, max_size=31).map(lambda values: Spectrum(400, 10, tuple(values)))


def curves(pair) -> list[Spectrum]:
    """The two curves of a pair."""
    return [Spectrum(380, 10, tuple(pair[name])) for name in ("curve_1", "curve_2")]


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize(("pair", "expected"), CASES, ids=[f"{p['pair']}-{t['illuminant']}" for p, t in CASES])
def test_the_index_is_that_of_the_reference(pair, expected, formula):
    """Corrected and uncorrected differences under A, an LED and a fluorescent lamp, and the residual under D65, are as computed."""
    found = metamerism(*curves(pair), test=expected["illuminant"], formula=formula)
    name = FORMULAS[formula]
    assert pytest.approx(expected[f"MI_{name}_corrected"], abs=TABULATED_WEIGHTS_IN_LAB) == found.index
    assert pytest.approx(expected[f"MI_{name}_uncorrected"], abs=TABULATED_WEIGHTS_IN_LAB) == found.uncorrected
    assert pytest.approx(pair["reference"][name], abs=TABULATED_WEIGHTS_IN_LAB) == found.residual


def test_the_result_says_lights_formula_direction_and_what_was_taken_out():
    """Index, residual and direction of the pair with a residual mismatch under A (4.61 and 0.25 in the reference file)."""
    says = metamerism(*curves(PAIRS[1])).says
    assert "Metamerism index 4.61 (CIEDE2000, 10 deg observer) under A for a match under D65: " in says
    assert "greener" in says
    assert says.endswith("The difference of 0.25 under D65 was corrected.")


def test_the_index_is_the_difference_of_the_two_colours_it_names():
    """The index changes with the corrected colour."""
    found = metamerism(*curves(PAIRS[1]))
    assert delta_e(found.reference, found.corrected) == found.index


@QUICK
@given(
    one=PLAUSIBLE, test=st.sampled_from(("A", "D50", "LED-B3")), formula=st.sampled_from(("CIE76", "CIEDE2000", "CMC"))
)
def test_a_spectrum_is_not_metameric_with_itself(one, test, formula):
    """The same spectrum twice has index 0 under every illuminant."""
    found = metamerism(one, one, test, formula=formula)
    assert pytest.approx((0.0, 0.0, 0.0), abs=SAME_FORMULA) == (found.index, found.residual, found.uncorrected)


@QUICK
@given(one=PLAUSIBLE, share=numbers(0.5, 1), test=st.sampled_from(("A", "D50", "LED-B3")))
def test_a_darker_sample_of_the_same_pigment_is_not_metameric(one, share, test):
    """A constant factor at every wavelength is corrected completely under every illuminant."""
    darker = Spectrum(one.start_nm, one.step_nm, tuple(share * value for value in one.values))
    assert pytest.approx(0.0, abs=SAME_FORMULA) == metamerism(one, darker, test, formula="CIE76").index


@QUICK
@given(one=PLAUSIBLE, shift=st.lists(numbers(-0.04, 0.04), min_size=31, max_size=31))
def test_no_change_of_light_leaves_no_index(one, shift):
    """Under the illuminant of the match the correction removes the whole difference."""
    other = Spectrum(400, 10, tuple(a + b for a, b in zip(one.values, shift, strict=True)))
    found = metamerism(one, other, test="D65", formula="CIE76")
    assert pytest.approx(0.0, abs=SAME_FORMULA) == found.index
    assert pytest.approx(found.residual, abs=SAME_FORMULA) == found.uncorrected


def test_a_sample_that_reflects_nothing_is_refused():
    """No ratio would correct it."""
    with pytest.raises(ValueError, match="tristimulus value of 0"):
        metamerism(Spectrum(400, 10, (0.5,) * 31), Spectrum(400, 10, (0.0,) * 31))
