"""Colour of a lot against its shade. Colours are invented; differences were computed with colour-science 0.4.7."""

import math
from itertools import pairwise

import numpy as np
import pytest

from lots.domain.characteristics.color.between_instruments import Start
from lots.domain.characteristics.color.lot_color import ColorLimits, judge_color, summarise
from lots.domain.characteristics.color.uncertainty import ColorUncertainty, delta_e_uncertainty
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from tests.domain.builders import (
    APPROVED_UNDER,
    BLACK,
    GUARDED,
    SIMPLE,
    TWO_OF_TEN,
    WHITE,
    Coverage,
    Evidence,
    assessed,
    by_code,
    color,
    wet,
)
from tests.tolerances import PROPAGATION_RELATIVE, SAME_FORMULA

LOT = ColorLimits(lot_max=1.0)
ONE = Coverage.of(1, 1)
# Four spools near the white and a distant one: distances 0.06, 0.05, 0.01, 0.10 and 1.23.
SPLIT = [
    Lab(95.06, -0.80, 1.45),
    Lab(94.96, -0.77, 1.52),
    Lab(95.00, -0.81, 1.50),
    Lab(94.94, -0.77, 1.59),
    Lab(94.30, -0.62, 2.72),
]


def lot(*labs: Lab, u: float | None = None):
    """Summary of a lot with one reading on each spool."""
    return summarise([color(f"S{i}", *lab.as_list(), u=u) for i, lab in enumerate(labs, start=1)])


def judged(summary, limits, coverage=ONE, rule=SIMPLE, reference=WHITE, previous=None):
    """Findings by code."""
    return by_code(judge_color(summary, reference, limits, coverage, rule, Start(previous)))


def test_readings_are_averaged_in_cielab_and_not_as_differences():
    """Plaques 0.56 and 0.57 on either side of the white average to a difference of 0.00, not 0.56."""
    plaques = [Lab(95.0, -0.8, 2.1), Lab(95.0, -0.8, 0.9)]
    found = judged(summarise([color("A", *p.as_list()) for p in plaques]), LOT)["color.lot_delta_e"]
    assert [0.57, 0.56] == sorted((round(delta_e(WHITE, p), 2) for p in plaques), reverse=True)
    assert pytest.approx(0.0, abs=SAME_FORMULA) == found.value
    assert "pass" == found.verdict


def test_a_split_lot_passes_on_its_mean_and_fails_on_its_worst_spool():
    """Five spools at 0.06, 0.05, 0.01, 0.10 and 1.23 have a lot mean of 0.27 under the limit, and one spool exceeds it."""
    found = judged(lot(*SPLIT), ColorLimits(lot_max=1.0, spool_max=1.0), Coverage.of(5, 5))
    assert [0.06, 0.05, 0.01, 0.10, 1.23] == [round(delta_e(WHITE, spool), 2) for spool in SPLIT]
    assert ("pass", 0.27) == (found["color.lot_delta_e"].verdict, round(found["color.lot_delta_e"].value, 2))
    assert ("fail", 1.23) == (found["color.spool_delta_e"].verdict, round(found["color.spool_delta_e"].value, 2))
    assert "spool S5" == found["color.spool_delta_e"].subject
    assert 1.29 == round(max(delta_e(one, other) for one in SPLIT for other in SPLIT), 2)


def test_spread_is_the_mean_distance_of_spools_from_their_mean():
    """The spread of the split lot is its MCDM, computed here directly from the five spools."""
    centre = Lab(*np.mean([spool.as_list() for spool in SPLIT], axis=0))
    direct = sum(delta_e(centre, spool) for spool in SPLIT) / len(SPLIT)
    found = judged(lot(*SPLIT), ColorLimits(spread_max=0.3), Coverage.of(5, 5))["color.spread"]
    assert pytest.approx(direct, abs=SAME_FORMULA) == found.value
    assert ("fail", 5) == (found.verdict, found.n)


def test_a_spool_with_many_readings_weighs_no_more_than_another():
    """Readings are averaged per spool first, so nine readings on one spool and one on another give the middle of the two."""
    readings = [color("A", 95.0, -0.8, 1.0)] * 9 + [color("B", 95.0, -0.8, 2.0)]
    assert Lab(95.0, -0.8, 1.5) == summarise(readings).lot


def test_two_lots_on_opposite_sides_of_the_white_do_not_match_each_other():
    """Lots 0.71 and 0.69 from the shade pass at 1.0 and lie 1.40 apart; the second is no further away, so its step passes."""
    one, other = Lab(95.3, -0.9, 0.8), Lab(94.7, -0.7, 2.2)
    verdicts = [judged(lot(side), LOT)["color.lot_delta_e"] for side in (one, other)]
    assert [("pass", 0.71), ("pass", 0.69)] == [(f.verdict, round(f.value, 2)) for f in verdicts]
    step = judged(lot(other), ColorLimits(step_max=1.0), previous=one)["color.step"]
    assert ("pass", 1.40) == (step.verdict, round(step.value, 2))
    assert "darker, redder, yellower" in step.detail


@pytest.mark.parametrize(
    ("reference", "difference", "verdict"),
    [(WHITE, 0.66, "pass"), (Lab(95.1, -0.8, 1.0), 1.13, "fail")],
    ids=["first-revision", "second-revision"],
)
def test_a_lot_is_judged_under_the_revision_it_is_given(reference, difference, verdict):
    """One lot is 0.66 from the first revision of its shade and 1.13 from the second."""
    found = judged(lot(Lab(94.9, -0.75, 2.2)), LOT, reference=reference)["color.lot_delta_e"]
    assert (verdict, difference) == (found.verdict, round(found.value, 2))


def test_a_slow_yellowing_walk_never_fails_and_never_steps_far():
    """Twelve lots, each 0.08 yellower and 0.02 darker, end 0.82 from the white with steps of at most 0.08."""
    lots = [Lab(95.0 - 0.02 * i, -0.8, 1.5 + 0.08 * i) for i in range(12)]
    away = [0.00, 0.08, 0.15, 0.23, 0.30, 0.38, 0.45, 0.53, 0.60, 0.68, 0.75, 0.82]
    assert away == [round(delta_e(WHITE, each), 2) for each in lots]
    assert max(round(delta_e(before, after), 2) for before, after in pairwise(lots)) <= 0.08


@pytest.mark.parametrize(
    ("reference", "sample", "other", "looks_like"),
    [
        (BLACK, Lab(16.4, 0.1, -0.4), Conditions("D65", 10, "d/8", "excluded", uv="excluded"), 1.08),
        (Lab(95.0, 0.0, 1.2), Lab(95.0, 1.5, -3.1), Conditions("D65", 10, "d/8", "included", uv="included"), 4.6),
    ],
    ids=["specular-excluded-on-black", "uv-included-on-brightened-white"],
)
def test_a_difference_made_by_the_conditions_alone_is_not_comparable(reference, sample, other, looks_like):
    """Another specular or UV condition alone makes a difference of 1.08 or 4.6, so such readings are not compared."""
    assert looks_like == round(delta_e(reference, sample), 2 if looks_like < 2 else 1)
    assert not other.comparable_with(APPROVED_UNDER)


def test_each_component_has_its_own_signed_value_and_two_sided_limit():
    """A component finding keeps its sign and is compared with plus and minus its limit, ends included."""
    limits = ColorLimits(components_max={"L": 0.8, "a": 0.4, "b": 0.6})
    found = judged(lot(Lab(94.2, -0.39, 0.8)), limits)
    assert {"color.component_l": "pass", "color.component_a": "fail", "color.component_b": "fail"} == {
        code: finding.verdict for code, finding in found.items()
    }
    assert [-0.8, 0.41, -0.7] == [round(finding.value, 9) for finding in found.values()]


def test_a_step_is_judged_only_from_an_earlier_accepted_lot():
    """Without an earlier accepted lot there is no step finding."""
    assert {} == judged(lot(WHITE), ColorLimits(step_max=0.5))


@pytest.mark.parametrize(
    ("u", "before_u", "verdict"), [(0.02, 0.02, "pass"), (0.2, 0.02, "near"), (0.02, 0.2, "near"), (0.2, None, "near")]
)
def test_a_guarded_step_carries_the_uncertainty_of_both_lots(u, before_u, verdict):
    """A step of 0.8 in CIE76 against 1.0 has the root sum of squares of both lots' uncertainties, in either order.

    Along b* only the uncertainty along b* counts; the length's distribution covers the rest.
    """
    limits = ColorLimits("CIE76", lot_max=5.0, step_max=1.0)
    # Four spools about b* 2.3: 0.8 from the last accepted lot, which lay nearer the reference.
    means = [Lab(95.0, -0.8, 2.3 + off) for off in (-0.002, -0.001, 0.001, 0.002)]
    before = None if before_u is None else ColorUncertainty.known((before_u,) * 3)
    four = Coverage.of(4, 4)
    start = Start(Lab(95.0, -0.8, 1.5), before)
    found = by_code(judge_color(lot(*means, u=u), WHITE, limits, four, GUARDED, start))["color.step"]
    own = math.hypot(u, np.std([m.b for m in means], ddof=1) / 2)
    expected = math.hypot(own, before_u or 0.0)
    assert pytest.approx(0.8, abs=SAME_FORMULA) == found.value
    assert pytest.approx(expected, abs=SAME_FORMULA) == found.uncertainty
    assert verdict == found.verdict


@pytest.mark.parametrize("rule", [SIMPLE, GUARDED], ids=["simple", "guarded"])
def test_without_readings_every_colour_finding_is_missing(rule):
    """Without readings each limit gives a missing finding with the measurement to make."""
    limits = ColorLimits("CIEDE2000", (), 1.0, 1.0, 0.5, 0.5, {"L": 1.0, "a": 1.0, "b": 1.0}, 3)
    found = judged(None, limits, TWO_OF_TEN, rule, previous=WHITE)
    assert 7 == len(found)
    assert {"missing"} == {finding.verdict for finding in found.values()}
    assert {"measure colour on 2 spools (A, B), 3 readings each"} == {finding.to_measure for finding in found.values()}


def test_without_an_approved_shade_nothing_passes():
    """Readings without a reference are missing and ask for an approved shade revision."""
    found = judged(lot(WHITE), ColorLimits(lot_max=1.0, spool_max=1.0, spread_max=1.0), reference=None)
    assert {"missing"} == {finding.verdict for finding in found.values()}
    assert all("approve a shade revision" in finding.to_measure for finding in found.values())


def test_too_few_readings_on_a_spool_are_not_enough_to_pass():
    """One reading of three required is missing, and the finding asks for two more on that spool."""
    limits = ColorLimits(lot_max=1.0, readings_per_spool_min=3)
    found = judged(lot(WHITE), limits)["color.lot_delta_e"]
    assert ("missing", "take 2 more colour readings on spool S1") == (found.verdict, found.to_measure)


def test_one_complete_bad_spool_refuses_before_the_rest_is_measured():
    """A complete spool over its limit fails while a second spool is unmeasured; the lot mean stays open."""
    found = judged(lot(Lab(94.3, -0.62, 2.72)), ColorLimits(lot_max=1.0, spool_max=1.0), TWO_OF_TEN)
    assert ("fail", "missing") == (found["color.spool_delta_e"].verdict, found["color.lot_delta_e"].verdict)


def test_one_spool_of_several_has_no_spread_yet():
    """One measured spool of a lot of ten shows no spread, even under a plan of one spool."""
    found = judged(lot(WHITE), ColorLimits(spread_max=0.5), Coverage.of(10, 1, ("S1",)))["color.spread"]
    assert "missing" == found.verdict
    assert "one more spool" in found.to_measure


def test_a_lot_of_one_spool_has_no_spread_to_doubt():
    """A lot of one spool passes its spread limit with 0, guarded or not."""
    found = judged(lot(WHITE, u=0.05), ColorLimits(spread_max=0.5), Coverage.of(1, 1), GUARDED)["color.spread"]
    assert ("pass", 0.0) == (found.verdict, found.value)


@pytest.mark.parametrize(
    "sample", [Lab(94.0, -0.8, 2.0), Lab(95.0, 0.4, 1.5), Lab(94.3, -0.2, 3.0)], ids=["darker", "redder", "all-three"]
)
@pytest.mark.parametrize("formula", ["CIE76", "CIEDE2000"])
def test_uncertainty_of_a_difference_agrees_with_simulation(sample, formula):
    """Away from zero the propagated uncertainty equals the spread of 20,000 simulated differences (after JCGM 101)."""
    u, limits = (0.05, 0.04, 0.06), ColorLimits(formula)
    rng = np.random.default_rng(7)
    draws = rng.normal(sample.as_list(), u, (20_000, 3))
    if formula == "CIE76":
        simulated = np.linalg.norm(draws - WHITE.as_list(), axis=1)
    else:
        simulated = np.array([delta_e(WHITE, Lab(*draw)) for draw in draws])
    assert pytest.approx(simulated.std(ddof=1), rel=PROPAGATION_RELATIVE) == delta_e_uncertainty(
        WHITE, sample, u, limits
    )


def test_uncertainty_near_zero_does_not_vanish():
    """On the reference itself, where the difference has no slope, the uncertainty is the difference caused by noise alone."""
    found = delta_e_uncertainty(WHITE, WHITE, (0.1, 0.1, 0.1), ColorLimits("CIE76"))
    assert pytest.approx(0.1 * math.sqrt(3), abs=SAME_FORMULA) == found


def test_unknown_uncertainty_stays_unknown():
    """Without an uncertainty of the colour the difference has none, and the guarded rule asks for one."""
    assert delta_e_uncertainty(WHITE, BLACK, None, LOT) is None
    found = judged(lot(WHITE), LOT, rule=GUARDED)["color.lot_delta_e"]
    assert "missing" == found.verdict
    assert "standard uncertainty" in found.to_measure


@pytest.mark.parametrize("sample", [Lab(110, 150, -150), Lab(0, -150, 150)], ids=["high-ends", "low-ends"])
def test_uncertainty_at_the_ends_of_the_scale_is_still_a_number(sample):
    """A colour at the end of its range has an uncertainty; values beyond the end are cut to it."""
    assert delta_e_uncertainty(WHITE, sample, (0.1, 0.1, 0.1), ColorLimits("CIE76")) > 0


def test_readings_under_other_conditions_leave_a_lot_unjudged():
    """A lot measured only with the specular component excluded is missing its colour and does not fail."""
    sce = Conditions("D65", 10, "d/8", "excluded", uv="excluded")
    evidence = Evidence(
        color=(color("A", 18, 0, 0, under=sce), color("B", 18, 0, 0, under=sce)), moisture=(wet("A", 0.01),)
    )
    found = by_code(assessed(evidence).findings)
    assert "missing" == found["color.lot_delta_e"].verdict


def test_the_mean_of_no_colours_is_refused():
    """A mean of no colours is refused."""
    with pytest.raises(ValueError, match="at least one colour"):
        mean_lab([])
