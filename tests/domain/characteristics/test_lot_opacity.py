"""Opacity. Sources: TAPPI T 425 and ISO 13655 for the ratio; Kubelka and Munk 1931 for layers over backings."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Evidence
from lots.domain.characteristics.color.backing import backing_action, backing_problem, color_wanted
from lots.domain.characteristics.opacity.lot_opacity import (
    NOISE_L,
    OPAQUE_DELTA_E,
    OpacityLimits,
    OpacityReading,
    contrast_ratio,
    judge_opacity,
    latest,
    opacity,
    suspect_opacity,
)
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.tristimulus import lightness, luminous_reflectance
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.receiving.coverage import Coverage, Presented
from lots.domain.receiving.sampling_plans import plan_for
from tests.domain.builders import (
    APPROVED_UNDER,
    EVERY_LIMIT,
    GUARDED,
    MONDAY,
    SHADE,
    SIMPLE,
    assessed,
    by_code,
    color,
    plaque,
)
from tests.domain.strategies import LOTS, PLAQUES, SPOOLS, limits, numbers, steps
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

THOROUGH = examples(200)


def over(backing: float, scatter: float, absorption: float) -> float:
    """Y in percent of a layer over a backing of this reflectance (Kubelka and Munk 1931; S and K times the thickness)."""
    a = 1 + absorption / scatter
    b = math.sqrt(a * a - 1)
    coth = 1 / math.tanh(b * scatter)
    return 100 * (1 - backing * (a - b * coth)) / (a - backing + b * coth)


def test_the_ratio_is_luminous_reflectance_over_black_by_that_over_white():
    """Y 84.0 over black and 87.5 over white are 96 % opaque (definition of TAPPI T 425: 100 R0 / R0.89)."""
    assert pytest.approx(0.96, abs=SAME_FORMULA) == contrast_ratio(84.0, 87.5)


def test_from_cielab_lightness_alone_decides_on_the_ratio():
    """L* 50 is Y 18.4187 and L* 40 is 11.2510 (ISO/CIE 11664-4: ((L + 16) / 116)^3), whatever a* and b*."""
    found = opacity(Lab(40, 3, -2), Lab(50, -1, 5), "CIE76")
    assert pytest.approx((56 / 66) ** 3, abs=SAME_FORMULA) == found.ratio
    assert pytest.approx(math.sqrt(100 + 16 + 49), abs=SAME_FORMULA) == found.delta_e


@THOROUGH
@given(scatter=numbers(0.05, 20), absorption=numbers(0.001, 5), white=numbers(0.5, 0.95))
def test_a_layer_lies_between_clear_and_opaque(scatter, absorption, white):
    """A scattering layer over black and white (Kubelka and Munk) has a ratio from 0 to 1, and twice the thickness never lowers it."""
    thin, thick = (
        contrast_ratio(over(0.0, t * scatter, t * absorption), over(white, t * scatter, t * absorption)) for t in (1, 2)
    )
    assert 0 <= thin <= 1 + SAME_FORMULA
    assert thick >= thin - SAME_FORMULA


@THOROUGH
@given(Y=numbers(0.5, 100))
def test_an_opaque_plaque_reads_the_same_over_both(Y):
    """Equal readings are a ratio of exactly 1, and 100 %."""
    L = lightness(Y)
    found = opacity(Lab(L, 0, 0), Lab(L, 0, 0))
    assert (1.0, 0.0, 100.0) == (found.ratio, found.delta_e, found.percent)


def test_a_clear_film_over_true_black_is_zero():
    """Where no light returns over black the ratio is 0."""
    assert 0.0 == contrast_ratio(0.0, 80.0)


@THOROUGH
@given(white=numbers(10, 99), less=numbers(0, 9), step=numbers(0.01, 1))
def test_a_lighter_reading_over_black_is_more_opacity(white, less, step):
    """The ratio rises with the reading over black."""
    lower = contrast_ratio(luminous_reflectance(white - less - step), luminous_reflectance(white))
    assert lower < contrast_ratio(luminous_reflectance(white - less), luminous_reflectance(white))


def test_a_ratio_just_above_one_is_kept_and_called_noise():
    """A ratio just above 1 is stored, shown as 100 %, and worded as no visible backing."""
    found = opacity(Lab(95.1, -0.8, 1.5), Lab(95.0, -0.8, 1.5))
    assert found.ratio > 1
    assert 100.0 == found.percent
    assert "(above 1 by noise)" in found.says


def test_below_one_the_sentence_gives_ratio_and_difference():
    """Below 1 the sentence gives ratio and difference, with the reading over white as the reference."""
    black, white = Lab(94.0, -0.9, 1.2), Lab(95.0, -0.8, 1.5)
    expected = (110.0 / 111.0) ** 3
    assert (
        f"Contrast ratio {expected:.4f}. Black and white backing differ by {delta_e(white, black):.2f} (CIEDE2000)."
        == (opacity(black, white).says)
    )


@pytest.mark.parametrize("L", [3.0, 18.0, 95.0])
def test_more_than_noise_above_one_is_refused_as_a_mix_up(L):
    """Half a unit of lightness is noise at black and white alike; more means swapped readings or different places."""
    assert opacity(Lab(L + NOISE_L - 0.001, 0, 0), Lab(L, 0, 0)).ratio > 1
    with pytest.raises(ValueError, match="more than noise explains"):
        opacity(Lab(L + NOISE_L + 0.001, 0, 0), Lab(L, 0, 0))


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_a_reflectance_that_cannot_be_is_refused(bad):
    """Each reading must be a number of at least 0."""
    with pytest.raises(ValueError, match="Y over black"):
        contrast_ratio(bad, 80.0)
    with pytest.raises(ValueError, match="Y over white"):
        contrast_ratio(1.0, bad)


def test_no_light_over_white_tells_nothing():
    """Opacity is unknown where no light returns over white."""
    with pytest.raises(ValueError, match="the contrast ratio is not defined"):
        contrast_ratio(0.0, 0.0)


@THOROUGH
@given(L=numbers(5, 100), less=numbers(0, 4), a=st.sampled_from((-1.0, 0.0, 2.0)))
def test_percent_is_never_outside_its_scale(L, less, a):
    """The shown percentage lies from 0 to 100."""
    assert 0 <= opacity(Lab(L - less, a, 0), Lab(L, 0, 0)).percent <= 100


BACKED = replace(APPROVED_UNDER, backing="white")
THIN = opacity(Lab(93.0, -0.9, 1.0), Lab(95.0, -0.8, 1.5))


def test_what_counts_as_opaque_ends_at_its_constant():
    """A grey darkened by black by exactly the constant is opaque, and by a little more is not; for greys CIEDE2000 depends on lightness alone."""
    white = Lab(50.0, 0.0, 0.0)
    # Sharma et al. 2005: at a mean L* of 50 the weight of lightness is 1, so dL* is the difference; the middle moves by a tenth.
    inside, outside = (opacity(Lab(50.0 - OPAQUE_DELTA_E + by, 0.0, 0.0), white) for by in (1e-3, -1e-3))
    assert (True, False) == (inside.opaque, outside.opaque)


@pytest.mark.parametrize(
    ("said", "asked", "words"),
    [
        (APPROVED_UNDER, None, "does not state its backing"),
        (APPROVED_UNDER, BACKED, "This reading does not state"),
        (BACKED, APPROVED_UNDER, "The reference does not state"),
        (replace(BACKED, backing="black"), BACKED, "The backing of the reference is white, that of this plaque black"),
    ],
    ids=["unstated", "unstated-but-asked", "reference-unstated", "another"],
)
def test_a_plaque_that_is_not_opaque_needs_a_fixed_backing(said, asked, words):
    """A plaque that is not opaque and has an unknown backing is refused with the remedy; an opaque one needs no backing."""
    why, todo = backing_problem(THIN, said, asked)
    assert words in why
    assert "thicker plaque" in todo
    assert backing_problem(opacity(Lab(95, 0, 0), Lab(95, 0, 0)), said, asked) is None


def test_the_references_backing_makes_a_thin_plaque_comparable():
    """With the reference's backing, or without a stated one, the colour of a thin plaque counts."""
    assert backing_problem(THIN, BACKED, BACKED) is backing_problem(THIN, BACKED, None) is None


def test_the_newest_reading_describes_the_plaque():
    """Of two readings of one moment the less opaque describes the plaque; without a reading there is none."""
    early, late, same = plaque("A", 94.9), plaque("A", 94.8, hours=2), plaque("A", 94.7, hours=2)
    assert same == latest([late, same, early])
    assert latest([]) is None


def test_the_least_opaque_spool_is_judged_by_its_mean():
    """Ratios follow ((L + 16) / 116)^3 (ISO/CIE 11664-4); the spool with the lower mean is assessed, with its number of readings."""
    found = judge_opacity([plaque("A", 94.9), plaque("B", 94.0), plaque("B", 94.4)], OpacityLimits(0.98), SIMPLE)
    ((one,),) = [found]
    expected = sum(((L + 16) / 111) ** 3 for L in (94.0, 94.4)) / 2
    assert ("opacity.contrast_ratio", "fail", 2, "B") == (one.code, one.verdict, one.n, one.spool)
    assert pytest.approx(expected, abs=SAME_FORMULA) == one.value


def test_without_a_reading_opacity_is_missing_and_without_an_uncertainty_it_is_not_guarded():
    """Without a reading opacity is missing, and without an uncertainty it never passes the guarded rule; the ratio's slope is 3 / (L + 16) of each L*."""
    limits = OpacityLimits(0.9)
    assert ["missing"] * 2 == [judge_opacity(some, limits, GUARDED)[0].verdict for some in ([], [plaque("A", 94.9)])]
    (sure,) = judge_opacity([plaque("A", 95.0, u=0.01)], limits, GUARDED)
    assert ("pass", True) == (sure.verdict, sure.uncertainty is not None)
    # d ratio / dL = 3 / (L + 16) for each of the two lightnesses, independent (JCGM 100, 5.1.2).
    assert pytest.approx(math.sqrt(2) * 0.01 * 3 / 111, rel=1e-3) == sure.uncertainty


def test_a_reading_that_tells_no_opacity_is_refused_when_it_is_made():
    """A reading that is lighter over black by more than noise is refused."""
    with pytest.raises(ValueError, match="lighter over black"):
        OpacityReading("A", Lab(95, 0, 0), Lab(93, 0, 0), MONDAY)


# How many spools of ten, by a number or by a plan that lets a nonconforming spool pass (MIL-STD-105E, Table II-A).
COVERAGES = st.sampled_from(
    (
        Coverage.of(10, 2, ("A", "B")),
        Coverage((Presented(10, 3, ("A", "B", "C"), plan=plan_for(10, "II", 1.0)),)),
        Coverage((Presented(10, 3, ("A", "B", "C"), plan=plan_for(10, "II", 10.0)),)),
    )
)
# Opaque or not, over a plaque that black behind it darkens by up to 3 L*.
ANY_PLAQUES = st.one_of(PLAQUES, st.builds(plaque, SPOOLS, steps(92.0, 95.0, 0.1), hours=st.sampled_from((3.0, 4.0))))
SHADES = st.sampled_from((SHADE, replace(SHADE, conditions=BACKED)))


@THOROUGH
@given(
    evidence=LOTS, agreed=limits(), shade=SHADES, coverage=COVERAGES, more=st.lists(ANY_PLAQUES, min_size=1, max_size=2)
)
def test_an_opacity_reading_never_takes_a_failure_of_colour_away(evidence, agreed, shade, coverage, more):
    """An opacity reading removes no colour failure, and passes a use only where the plaque is opaque."""
    agreed = replace(
        agreed, opacity=None, uses={use: [n for n in needs if n != "opacity"] for use, needs in agreed.uses.items()}
    )
    before = assessed(evidence, agreed, shade, coverage)
    after = assessed(replace(evidence, opacity=(*evidence.opacity, *more)), agreed, shade, coverage)
    failed = [{(f.code, f.uses) for f in found.findings if f.verdict == "fail"} for found in (before, after)]
    assert failed[0] <= failed[1]
    assert {use for use, verdict in before.uses.items() if verdict == "fail"} == {
        use for use, verdict in after.uses.items() if verdict == "fail"
    }
    assert set(before.summary.nonconforming) <= set(after.summary.nonconforming)


def test_colours_that_lack_the_backing_refuse_a_lot_and_never_release_it():
    """A colour without the backing fails a missed limit; a met limit is missing, with the reason and the remedy."""
    readings = tuple(color(spool, 92.0, -0.8, 1.5) for spool in "AB")
    agreed = replace(EVERY_LIMIT, uses={"cosmetic": ("color",)})
    before, after = (
        assessed(Evidence(color=readings, opacity=more), agreed, previous=None) for more in ((), (plaque("A", 93.0),))
    )
    assert ("blocked", "blocked") == (before.standing, after.standing)
    found = by_code(after.findings)
    assert ("fail", "pass") == (
        found["color.lot_delta_e"].verdict,
        by_code(before.findings)["color.component_a"].verdict,
    )
    assert "missing" == found["color.component_a"].verdict
    assert "a shade revision with a backing" in found["color.component_a"].message
    assert None is after.summary.lab, "no later lot is held against such a mean"
    good = tuple(color(spool, 95.0, -0.8, 1.5) for spool in "AB")
    held = assessed(Evidence(color=good, opacity=(plaque("A", 93.0),)), agreed, previous=None)
    assert "quarantined" == held.standing
    (todo,) = held.to_measure
    assert todo.startswith("ask quality for a shade revision with a backing and a reassessment")


def test_what_is_to_be_measured_names_the_backing_or_how_to_get_one():
    """The task names the reference's backing, or a revision that states one; an opaque plaque needs neither."""
    thin, thick = THIN, opacity(Lab(95, 0, 0), Lab(95, 0, 0))
    assert ("colour (backing: white)", "") == (color_wanted(thin, BACKED), backing_action(thin, BACKED))
    assert "ask quality for a shade revision with a backing" in backing_action(thin, APPROVED_UNDER)
    assert backing_action(thin, None).startswith("ask quality to approve a shade revision that states its backing")
    for found in (thick, None):
        for asked in (BACKED, APPROVED_UNDER, None):
            assert ("colour", "") == (color_wanted(found, asked), backing_action(found, asked))


@pytest.mark.parametrize(
    ("black", "white", "words"),
    [
        (24.9, 24.5, "swapped"),
        (95.1, 95.0, None),
        (94.0, 95.0, None),
        (30.0, 95.0, "the black backing"),
        (30.0, 79.0, None),
    ],
    ids=["dark-and-lighter-over-black", "noise", "white", "film", "not-a-white"],
)
def test_a_pair_that_looks_like_a_slip_is_doubted(black, white, words):
    """Half an L* is 3 % of the light of a dark plaque, more than noise; a white with a twentieth left over black is a film."""
    found = suspect_opacity(Lab(black, 0, 0), Lab(white, 0, 0))
    assert (words is None) == (found is None)
    assert found is None or words in found[1]


@pytest.mark.parametrize(
    ("thickness_mm", "counts"), [(2.0, True), (2.1, True), (1.9, True), (2.2, False), (1.8, False), (None, False)]
)
def test_a_limit_at_a_thickness_counts_plaques_of_that_thickness(thickness_mm, counts):
    """A thickness within 5 % of 2 mm counts (common practice, no source); another or an unstated one does not."""
    reading = replace(plaque("A", 94.0), thickness_mm=thickness_mm)
    assert counts is OpacityLimits(0.98, 2.0).counts(reading)
    assert OpacityLimits(0.98).counts(reading)


def test_the_room_of_a_contrast_ratio_is_measured_from_1():
    """A floor of 0.98 leaves a width of 0.02 to the ratio's 1, so u 0.005 is too coarse from version 3 on."""
    limit = OpacityLimits(0.98).limit
    assert 0.02 == round(limit.room(), 9)
    found = [judge("opacity.contrast_ratio", Measured(0.99, 1, uncertainty=0.005), limit, rule) for rule in BOTH_ROOMS]
    assert [True, False] == [one.coarse for one in found]


BOTH_ROOMS = (SIMPLE, replace(SIMPLE, version=SECOND))
