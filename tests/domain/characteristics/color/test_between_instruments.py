"""Colours measured with different instruments. 0.5 per coordinate between instruments is common practice, no source; the rest is this project's rule."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.bridge import Bridge
from lots.domain.characteristics.declaring.case import Previous, ShadeRevision
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import DecisionRule
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import APPROVED_UNDER, GUARDED, by_code, color
from tests.domain.strategies import numbers
from tests.examples import examples

SHADE = ShadeRevision("Harbour White", 1, Lab(95.0, -0.8, 1.6), APPROVED_UNDER, instrument="C-1", uncertainty=0.05)
LIMITS = Limits(color=ColorLimits(lot_max=0.5, components_max={"b": 0.4}))
BRIDGE = {frozenset(("C-1", "C-2")): Bridge("C-1", "C-2", (0.0, 0.0, 0.75), (0.05, 0.05, 0.05), 4)}


def read(code, *lab, u=0.05):
    """A colour of spool A measured with an instrument."""
    return replace(color("A", *lab, u=u), origin=Origin(code))


def judged(*readings, shade=SHADE, limits=LIMITS, previous=None, bridges=None, rules=3):
    """Findings by code, and notes."""
    found = assess(
        Evidence(color=readings),
        Coverage.of(1, 1, ("A",)),
        Criteria(limits, shade, 1.75, previous, rules=rules, bridges=bridges),
    )
    return by_code(found.findings), found.notes


def test_another_instrument_than_the_reference_s_leaves_a_failure_near():
    """A plaque at b* 1.60 on C-1 reads 2.35 on C-2: the finding is near and claims nothing."""
    found, _ = judged(read("C-2", 95.0, -0.8, 2.35))
    assert {"near"} == {one.verdict for one in found.values()}
    assert {None} == {one.claimable for one in found.values()}
    lot = found["color.component_b"]
    assert pytest.approx(math.sqrt(0.05**2 + 0.05**2 + 0.5**2)) == lot.uncertainty
    assert (
        "measure with C-1, which measured the reference, or record an agreement study of C-1 and C-2" == lot.to_measure
    )
    assert (
        "The instrument was C-2, that of the reference C-1. A standard uncertainty of 0.5 per coordinate is added"
        in lot.detail
    )


@pytest.mark.parametrize(("rules", "waits"), [(3, False), (4, True)])
def test_a_colour_within_its_guard_band_on_another_instrument_names_the_way_out(rules, waits):
    """More readings cannot settle a difference between two instruments, so a study of both is requested."""
    limits = replace(LIMITS, rule=GUARDED)
    found, _ = judged(read("C-2", 95.0, -0.8, 1.6), limits=limits, rules=rules)
    lot = found["color.component_b"]
    assert "near" == lot.verdict
    way_out = "record an agreement study of C-1 and C-2"
    assert waits is (way_out == lot.to_measure)
    assert None is lot.claimable


def test_far_beyond_the_widened_uncertainty_it_fails_without_a_claim():
    """A db* of 3 against 0.4 exceeds any difference between instruments and fails without a claim."""
    found, _ = judged(read("C-2", 95.0, -0.8, 4.6))
    assert [("fail", None)] * 2 == [(one.verdict, one.claimable) for one in found.values()]


def test_the_same_instrument_is_judged_as_ever_with_the_reference_s_uncertainty():
    """A db* of 0.75 on the reference's instrument fails beyond an uncertainty of 0.07 (root sum of squares of 0.05 and 0.05, by hand)."""
    found, _ = judged(read("C-1", 95.0, -0.8, 2.35))
    part = found["color.component_b"]
    assert ("fail", True, pytest.approx(math.hypot(0.05, 0.05))) == (part.verdict, part.claimable, part.uncertainty)


def test_an_agreement_study_corrects_the_difference():
    """C-2 reads b* 0.75 above C-1, so the corrected lot is at 1.60, exactly on its reference, with three uncertainties of 0.05."""
    found, _ = judged(read("C-2", 95.0, -0.8, 2.35), bridges=BRIDGE)
    part = found["color.component_b"]
    assert ("pass", pytest.approx(0.0), pytest.approx(0.05 * math.sqrt(3))) == (
        part.verdict,
        part.value,
        part.uncertainty,
    )
    assert "corrected to C-1 by agreement study 4 (L* +0.00, a* +0.00, b* -0.75)." in part.detail


def test_a_claim_across_a_bridge_may_stand():
    """A deviation of 1 after the correction exceeds its uncertainty and can be claimed."""
    found, _ = judged(read("C-2", 95.0, -0.8, 3.75), bridges=BRIDGE)
    assert ("fail", True) == (found["color.component_b"].verdict, found["color.component_b"].claimable)


def test_a_reference_without_an_instrument_adds_nothing():
    """A reference without a named instrument adds no uncertainty."""
    found, _ = judged(read("C-2", 95.0, -0.8, 2.35), shade=replace(SHADE, instrument=None, uncertainty=None))
    assert ("fail", True) == (found["color.component_b"].verdict, found["color.component_b"].claimable)


def test_the_second_version_of_the_rules_compares_as_it_did():
    """Lots under version 2 of the rules are assessed as before."""
    found, _ = judged(read("C-2", 95.0, -0.8, 2.35), rules=SECOND)
    part = found["color.component_b"]
    assert ("fail", pytest.approx(0.05)) == (part.verdict, part.uncertainty)


STEPS = Limits(color=ColorLimits(lot_max=2.0, step_max=0.3))
BEFORE = Previous(Lab(95.0, -0.8, 1.6), lab_uncertainty=(0.05,) * 3, sources={"color": ["C-1", "printer P1"]})


def test_no_step_is_judged_across_instruments():
    """With the last accepted lot measured on C-1 and this one on C-2, no step is assessed, and a note gives the reason."""
    found, notes = judged(read("C-2", 95.0, -0.8, 2.35), limits=STEPS, previous=BEFORE)
    assert "color.step" not in found
    assert any(
        note.startswith("No colour step is assessed, since no agreement study covers C-1 (last accepted lot)")
        for note in notes
    )


def test_a_bridge_lets_the_step_be_judged():
    """With a study's correction the step is 0, whichever instrument measured the reference."""
    for shade in (SHADE, replace(SHADE, instrument=None), replace(SHADE, instrument="C-2", lab=Lab(95.0, -0.8, 2.35))):
        found, _ = judged(read("C-2", 95.0, -0.8, 2.35), limits=STEPS, previous=BEFORE, bridges=BRIDGE, shade=shade)
        assert ("pass", pytest.approx(0.0, abs=1e-9)) == (found["color.step"].verdict, found["color.step"].value)


def test_a_step_between_lots_of_one_instrument_is_judged_as_it_was_read():
    """Both lots measured with C-2 are corrected alike, so the step is that of C-2."""
    before = replace(BEFORE, lab=Lab(95.0, -0.8, 2.35), sources={"color": ["C-2"]})
    found, _ = judged(read("C-2", 95.0, -0.8, 2.55), limits=STEPS, previous=before, bridges=BRIDGE)
    bare, _ = judged(
        read("C-2", 95.0, -0.8, 2.55), limits=STEPS, previous=before, shade=replace(SHADE, instrument=None)
    )
    assert pytest.approx(bare["color.step"].value, abs=0.01) == found["color.step"].value


@examples(60)
@given(b=numbers(0.0, 5.0), guarded=st.booleans(), u=st.sampled_from((None, 0.05)))
def test_nothing_is_ever_claimed_across_instruments_and_a_simple_pass_stays(b, guarded, u):
    """Without a bridge nothing is claimed across instruments, and a simple pass on one is a pass on the other."""
    limits = replace(LIMITS, rule=GUARDED if guarded else DecisionRule())
    (across, _), (same, _) = (judged(read(code, 95.0, -0.8, b, u=u), limits=limits) for code in ("C-2", "C-1"))
    assert True not in {one.claimable for one in across.values()}
    for code, one in same.items():
        allowed = {"pass"} if one.verdict == "pass" and not guarded else {"pass", "near", "missing", "fail"}
        assert across[code].verdict in allowed
        assert one.verdict == "fail" or across[code].verdict != "fail"
