"""Metamerism and the figures for whites as findings. Source of indices: the pairs of the spectral reference file, by colour-science."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.characteristics.color.lot_color import ColorLimits, ColorReading, summarise
from lots.domain.characteristics.color.spectral_figures import TEST_LIGHTS, judge_depth
from lots.domain.characteristics.declaring.case import ShadeRevision
from lots.domain.characteristics.declaring.estimate import Estimate
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.spectra import Spectrum, lab_from_spectrum, mean_spectrum, xyz_from_spectrum
from lots.domain.colorimetry.whiteness import whiteness_from_lab, yellowness_from_lab
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import APPROVED_UNDER, GUARDED, SIMPLE, WHITE, by_code, color, reference_json
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import SAME_FORMULA, TABULATED_WEIGHTS_IN_LAB

THOROUGH = examples(100)
PAIRS = reference_json("spectral_reference.json")["metamerism"]
FORMULAS = {"CIE76": "dE76", "CIEDE2000": "dE00"}
WHOLE_LOT = Coverage.of(1, 1)
SPECTRA = st.lists(numbers(0.05, 1), min_size=31, max_size=31).map(lambda values: Spectrum(400, 10, tuple(values)))


def curve(pair, name: str) -> Spectrum:
    """One curve of a pair."""
    return Spectrum(380, 10, tuple(pair[name]))


def read(spool: str, spectrum: Spectrum, u: float | None = None) -> ColorReading:
    """A spectrum measured on a spool."""
    return ColorReading(spool, lab_from_spectrum(spectrum), APPROVED_UNDER, u, spectrum)


def approved(spectrum: Spectrum) -> ShadeRevision:
    """A shade approved by its spectrum."""
    return ShadeRevision("S", 1, lab_from_spectrum(spectrum), APPROVED_UNDER, spectrum)


def judged(readings, shade, limits, coverage=WHOLE_LOT, rule=SIMPLE):
    """The findings by their codes."""
    return by_code(judge_depth(readings, summarise(readings), shade, limits, coverage, rule))


@pytest.mark.parametrize("formula", FORMULAS)
@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair["pair"])
def test_the_worse_of_the_two_lights_counts_in_the_blocks_own_formula(pair, formula):
    """The finding's value is the larger of the reference file's indices under A and LED-B3, and its text gives the other."""
    index = {one["illuminant"]: one[f"MI_{FORMULAS[formula]}_corrected"] for one in pair["test"]}
    worst, other = sorted(TEST_LIGHTS, key=lambda light: -index[light])
    limits = ColorLimits(formula, lot_max=1.0, metamerism_max=0.5)
    found = judged([read("A", curve(pair, "curve_2"))], approved(curve(pair, "curve_1")), limits)["color.metamerism"]
    assert pytest.approx(index[worst], abs=TABULATED_WEIGHTS_IN_LAB) == found.value
    assert f"Under {worst}, corrected for a match under D65" in found.message
    assert f"The index under {other} is {index[other]:.2f}." in found.message


def test_a_light_is_not_tried_against_itself():
    """A reference under illuminant A is tested under the LED alone."""
    lamp = Spectrum(400, 10, (0.5,) * 31)
    under = replace(APPROVED_UNDER, illuminant="A")
    shade = ShadeRevision("S", 1, lab_from_spectrum(lamp, "A"), under, lamp)
    reading = ColorReading("A", lab_from_spectrum(lamp, "A"), under, None, lamp)
    found = judged([reading], shade, ColorLimits(lot_max=1.0, metamerism_max=0.5))["color.metamerism"]
    assert "Under LED-B3, corrected for a match under A" in found.detail
    assert "Under A it is" not in found.detail


@THOROUGH
@given(spectra=st.lists(SPECTRA, min_size=1, max_size=4), light=st.sampled_from(("D65", "A", "LED-B3")))
def test_the_mean_of_spectra_has_the_mean_of_their_tristimulus_values(spectra, light):
    """The mean of spectra has the mean of their tristimulus values, because the sum is linear."""
    each = [xyz_from_spectrum(spectrum, light).as_tuple() for spectrum in spectra]
    expected = [sum(column) / len(spectra) for column in zip(*each, strict=True)]
    assert pytest.approx(expected, abs=SAME_FORMULA) == xyz_from_spectrum(mean_spectrum(spectra), light).as_tuple()


@THOROUGH
@given(spectra=st.lists(SPECTRA, min_size=1, max_size=4), data=st.data())
def test_the_order_of_spectra_changes_nothing(spectra, data):
    """Readings in another order give the same findings."""
    readings = [read("AB"[place % 2], spectrum) for place, spectrum in enumerate(spectra)]
    limits = ColorLimits("CIE76", lot_max=1.0, metamerism_max=0.5, yellowness_max=3.0)
    shade = approved(Spectrum(400, 10, (0.5,) * 31))
    one, other = (judged(some, shade, limits) for some in (readings, data.draw(st.permutations(readings))))
    assert {code: f.verdict for code, f in one.items()} == {code: f.verdict for code, f in other.items()}


@pytest.mark.parametrize("limit", ["metamerism_max", "whiteness_min", "tint", "yellowness_max"])
@pytest.mark.parametrize(("shade", "readings"), [(True, False), (False, True), (False, False)])
def test_without_readings_or_a_reference_nothing_passes(limit, shade, readings):
    """Without readings or a reference each figure is missing and states what to do."""
    gray = Spectrum(400, 10, (0.9,) * 31)
    limits = ColorLimits(lot_max=1.0, **{limit: (-4.0, 4.0) if limit == "tint" else 50.0})
    (found,) = judged([read("A", gray)] if readings else [], approved(gray) if shade else None, limits).values()
    assert "missing" == found.verdict
    assert found.to_measure


def test_every_spool_that_was_read_needs_its_spectrum():
    """One spool measured only as L*, a*, b* can be metameric, so the lot stays open."""
    gray = Spectrum(400, 10, (0.5,) * 31)
    readings = [read("A", gray), color("B", *lab_from_spectrum(gray).as_list())]
    limits = ColorLimits(lot_max=1.0, metamerism_max=0.5)
    found = judged(readings, approved(gray), limits, Coverage.of(5, 1))["color.metamerism"]
    assert ("missing", "take 1 more spectral colour reading on spool B") == (found.verdict, found.to_measure)


def test_uncertainties_of_whites_are_those_of_their_coordinates():
    """To first order u follows from the partial derivatives (JCGM 100, 5.1.2), here taken by differences outside the module."""
    u, step = 0.05, 1e-5
    limits = ColorLimits(lot_max=1.0, whiteness_min=50, tint=(-3, 1.9), yellowness_max=9)
    shade = ShadeRevision("S", 1, WHITE, APPROVED_UNDER)
    found = judged([color("A", *WHITE.as_list(), u=u)], shade, limits, rule=GUARDED)
    figures = {
        "color.whiteness": lambda lab: whiteness_from_lab(lab).whiteness,
        "color.tint": lambda lab: whiteness_from_lab(lab).tint,
        "color.yellowness": yellowness_from_lab,
    }
    for code, figure in figures.items():
        slopes = []
        for axis in range(3):
            ends = [Lab(*(at + (i == axis) * sign * step for i, at in enumerate(WHITE.as_list()))) for sign in (1, -1)]
            slopes.append((figure(ends[0]) - figure(ends[1])) / (2 * step))
        assert pytest.approx(u * sum(slope**2 for slope in slopes) ** 0.5, rel=1e-2) == found[code].uncertainty


def test_scatter_of_readings_makes_metamerism_uncertain():
    """Several spectra of the worst spool give a guard band without an instrument's uncertainty; one spectrum gives none."""
    one = PAIRS[0]
    limits = ColorLimits(lot_max=9.0, metamerism_max=9.0)
    reference = curve(one, "curve_1")
    spools = [read("A", curve(one, "curve_2")), read("A", reference)]
    both = judged(spools, approved(reference), limits, rule=GUARDED)["color.metamerism"]
    assert "missing" != both.verdict
    assert both.uncertainty > 0
    single = judged(spools[:1], approved(reference), limits, rule=GUARDED)["color.metamerism"]
    assert ("missing", None) == (single.verdict, single.uncertainty)


def test_the_worst_spool_counts_and_the_mean_is_told():
    """A metameric spool beside one equal to the reference rejects the lot; the mean of both is half of it (arithmetic)."""
    pair = PAIRS[0]
    reference, other = curve(pair, "curve_1"), curve(pair, "curve_2")
    limits = ColorLimits(lot_max=1.0, metamerism_max=0.5)
    readings = [read("A", reference), read("B", other)]
    alone = judged([read("B", other)], approved(reference), limits)["color.metamerism"]
    found = judged(readings, approved(reference), limits, Coverage.of(2, 2))["color.metamerism"]
    assert ("worst, spool B", 2) == (found.subject, found.n)
    assert pytest.approx(alone.value, abs=SAME_FORMULA) == found.value
    assert f"The mean of 2 spools is {alone.value / 2:.2f}." in found.detail
    before = judge_depth(
        readings, summarise(readings), approved(reference), limits, Coverage.of(2, 2), SIMPLE, estimate=Estimate(2)
    )[0]
    assert before.value < found.value
