"""A step from the last accepted lot: pass, hold for quality, and never a rejection. Source: this project's rule."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.declaring.case import Previous
from lots.domain.characteristics.registry import DECLARED, is_step
from lots.domain.colorimetry.color_difference import delta_e
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity import rule_versions
from lots.domain.conformity.limits import DecisionRule
from lots.domain.conformity.step_rule import DECISION
from lots.domain.receiving.coverage import Coverage
from tests.domain.builders import (
    EVERY_LIMIT,
    GOOD,
    GUARDED,
    ON_100_MM,
    SHADE,
    SIMPLE,
    WHITE,
    assessed,
    bar,
    by_code,
    color,
    control,
    coupon,
    gauge,
    plaque,
    shiny,
    wet,
)
from tests.domain.strategies import (
    ANY_LAB,
    COLORS,
    COUPONS,
    LOTS,
    NEAR_WHITE,
    RULES,
    limits,
    numbers,
    some,
    steps,
    widened,
)
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

THOROUGH = examples(200)
YELLOW = Lab(95.0, -0.8, 2.25)  # CIEDE2000 0.6937 from the white, computed with colour-science 0.4.7
FOUR = "ABCD"
# Evidence on everything that EVERY_LIMIT asks, in the middle of each limit; instruments are fine enough for the guarded rule.
AMPLE = Evidence(
    color=tuple(color(spool, *WHITE.as_list(), u=0.02) for spool in FOUR for _ in range(3)),
    diameter=tuple(gauge(spool, 1.75, 1.75, u=0.001) for spool in FOUR for _ in range(5)),
    shrinkage=tuple(replace(coupon(0.30, designed_mm=100.0, u=0.005), spool=spool) for spool in FOUR),
    bond=tuple(
        replace(bar(stress, u=0.2), spool=spool) for spool, stress in zip(FOUR, (27.0, 28.0, 28.0, 29.0), strict=True)
    )
    + tuple(control(30.0 + i / 10, u=0.2) for i in range(3)),
    surface=tuple(replace(check, spool=spool) for spool in FOUR for check in GOOD.surface),
    moisture=tuple(wet(spool, 0.01, u=0.001) for spool in FOUR),
    gloss=tuple(shiny(spool, 40.0, 60, u=0.2) for spool in FOUR),
    opacity=tuple(plaque(spool, 95.0, u=0.02) for spool in FOUR),
    stringing=tuple(replace(check, spool=spool) for spool in FOUR for check in GOOD.stringing),
)
PREVIOUS = st.builds(
    Previous,
    st.one_of(NEAR_WHITE, ANY_LAB),
    st.fixed_dictionaries({"x": numbers(-2.0, 3.0)}),
    st.one_of(st.none(), st.just((0.1, 0.1, 0.1))),
    st.one_of(st.just({}), st.just({"x": 0.02})),
)


def step(now, before, step_max=0.5, rule=SIMPLE, u=None, accepted=None, version=rule_versions.CURRENT):
    """The colour step of a lot of two spools, and the whole assessment."""
    evidence = Evidence(color=tuple(color(spool, *now.as_list(), u=u) for spool in "AB"))
    agreed = replace(EVERY_LIMIT, **dict.fromkeys(name for name in DECLARED if name != "color"))
    agreed = replace(agreed, color=ColorLimits(lot_max=2.0, step_max=step_max), rule=rule)
    previous = Previous(before, accepted=accepted or {})
    found = assess(evidence, Coverage.of(2, 2, ("A", "B")), Criteria(agreed, SHADE, 1.75, previous, rules=version))
    return by_code(found.findings)["color.step"], found


def test_a_lot_on_the_reference_passes_whatever_came_before():
    """A lot on the reference after one 0.69 away has a step of 0.69 over 0.5 and passes, with both distances stated."""
    found, whole = step(WHITE, YELLOW)
    assert ("pass", 0.69, "released") == (found.verdict, round(found.value, 2), whole.standing)
    assert (None, False, "") == (found.claimable, found.hold, found.to_measure)
    assert (
        "0.69 from 2 spools, limit at most 0.5. Outside by 0.19. The lot is no further from the reference (0.00)"
        in found.message
    )
    assert "than the last accepted lot (0.69)." in found.message


def test_a_step_away_from_the_reference_waits_for_quality():
    """A step from the white to 0.69 holds the lot: near, never failing, without a claim, and quality decides."""
    found, whole = step(YELLOW, WHITE)
    assert ("near", True, None) == (found.verdict, found.hold, found.claimable)
    assert ("quarantined", {"general": "near"}, (DECISION,)) == (whole.standing, whole.uses, whole.to_measure)
    assert "Outside by 0.19. Ask quality to accept the step or block the lot." in found.message
    assert {"color.step": found.value} == whole.steps_held()
    assert not whole.passed("color")
    assert not whole.settled_without_pass("color"), "readings that come meanwhile are no retest"


def test_the_first_version_of_the_rules_refuses():
    """Under version 1 steps in both directions fail."""
    for now, before in ((WHITE, YELLOW), (YELLOW, WHITE)):
        found, whole = step(now, before, version=rule_versions.FIRST)
        assert ("fail", False, "blocked") == (found.verdict, found.hold, whole.standing)
        assert whole.settled_without_pass("color")


def test_an_accepted_step_passes_up_to_its_size():
    """A step accepted at its own size passes; one accepted at less is held."""
    size = delta_e(WHITE, YELLOW)
    found, whole = step(YELLOW, WHITE, accepted={"color.step": size})
    assert ("pass", "released", {}) == (found.verdict, whole.standing, whole.steps_held())
    assert whole.passed("color")
    assert "Quality accepted a step of 0.69." in found.message
    held, _ = step(YELLOW, WHITE, accepted={"color.step": size - 0.001})
    assert "near" == held.verdict


@pytest.mark.parametrize("accepted", [{"shrinkage.step_x": 9.0}, {"color.lot_delta_e": 9.0}])
def test_what_was_accepted_is_that_step_alone(accepted):
    """A step accepted for X shrinkage does not apply to colour."""
    assert "near" == step(YELLOW, WHITE, accepted=accepted)[0].verdict


@pytest.mark.parametrize(
    ("now", "before", "verdict", "words"),
    [
        (
            YELLOW,
            WHITE,
            "near",
            "spools, or ask quality to accept the step or block the lot (no spool of this lot is left to draw)",
        ),
        (WHITE, YELLOW, "pass", "no further from the reference"),
    ],
    ids=["away", "towards"],
)
def test_within_the_guard_band_the_same_rule_holds(now, before, verdict, words):
    """Within the guard band a step towards the reference passes; away from it more spools or quality settle it."""
    evidence = Evidence(color=tuple(color(s, now.L, now.a, now.b + d, u=0.01) for s, d in (("A", 0.05), ("B", -0.05))))
    agreed = replace(EVERY_LIMIT, color=ColorLimits(lot_max=2.0, step_max=0.75), rule=GUARDED)
    found = by_code(
        assessed(evidence, agreed, previous=Previous(before), coverage=Coverage.of(2, 2, ("A", "B"))).findings
    )["color.step"]
    assert (verdict, verdict == "near") == (found.verdict, found.hold)
    assert found.margin > 0
    assert words in found.message


@pytest.mark.parametrize(("now", "before"), [(WHITE, YELLOW), (YELLOW, WHITE)], ids=["towards", "away"])
@pytest.mark.parametrize("step_max", [0.5, 5.0])
def test_a_guarded_step_of_unknown_uncertainty_is_missing(now, before, step_max):
    """Under the guarded rule a step of unknown uncertainty is missing, in any direction and size."""
    agreed = replace(EVERY_LIMIT, color=ColorLimits(step_max=step_max, lot_max=2.0), rule=GUARDED)
    found = assessed(
        Evidence(color=(color("A", *now.as_list()),)),
        agreed,
        previous=Previous(before),
        coverage=Coverage.of(1, 1, ("A",)),
    )
    finding = by_code(found.findings)["color.step"]
    assert ("missing", False, None) == (finding.verdict, finding.hold, finding.claimable)
    assert "standard uncertainty" in finding.to_measure


@pytest.mark.parametrize(
    ("before", "now", "verdict"),
    [(0.12, 0.30, "pass"), (0.12, 0.48, "pass"), (0.12, 0.49, "near"), (0.30, 0.48, "near"), (0.30, 0.40, "pass")],
)
def test_a_shrinkage_step_is_told_by_the_middle_of_the_limits(before, now, verdict):
    """Limits of 0.1 to 0.5 % have their middle at 0.30 %; 0.12 and 0.48 lie 0.18 from it, and 0.15 is the largest step (arithmetic)."""
    found = assessed(
        replace(GOOD, shrinkage=(coupon(now), coupon(now))), previous=Previous(WHITE, {"x": before}, basis=ON_100_MM)
    )
    assert verdict == by_code(found.findings)["shrinkage.step_x"].verdict


def test_a_worse_finding_decides():
    """A colour outside its limit blocks the lot, and leaves no step to accept."""
    far = Lab(95.0, -0.8, 5.5)
    found, whole = step(far, WHITE)
    assert ("near", "blocked", {}) == (found.verdict, whole.standing, whole.steps_held())


def test_a_step_that_no_use_requires_keeps_nothing_open():
    """A step in a colour that no use requires keeps nothing open."""
    agreed = replace(EVERY_LIMIT, uses={"hidden": ("diameter",)})
    found = assessed(
        limits=agreed,
        previous=Previous(Lab(95.0, -0.8, 1.5), {"x": 0.30}, basis=ON_100_MM),
        evidence=replace(GOOD, color=(color("A", *YELLOW.as_list()), color("B", *YELLOW.as_list()))),
    )
    assert ("near", "released", {}) == (
        by_code(found.findings)["color.step"].verdict,
        found.standing,
        found.steps_held(),
    )


@pytest.mark.parametrize(
    "rule", [SIMPLE, GUARDED, DecisionRule(guarded=True, z=3.0)], ids=["simple", "guarded", "wide"]
)
@THOROUGH
@given(previous=PREVIOUS)
def test_whatever_was_released_before_a_lot_on_the_reference_can_be_released(rule, previous):
    """Ample good evidence on the reference and in the middle of the limits is released for every use, whatever was released before."""
    agreed = replace(
        EVERY_LIMIT, rule=rule, uses={"cosmetic": ("color", "surface", "gloss"), "fit": ("shrinkage", "diameter")}
    )
    found = assess(AMPLE, Coverage.of(10, 4, tuple(FOUR)), Criteria(agreed, SHADE, 1.75, previous))
    assert ("released", set()) == (found.standing, {f.message for f in found.findings if f.verdict != "pass"})


@THOROUGH
@given(lot=LOTS, agreed=limits(), previous=PREVIOUS)
def test_a_step_never_refuses_and_nothing_is_claimed_of_it(lot, agreed, previous):
    """No step fails, and a use is rejected exactly when it is rejected without an earlier lot."""
    found, alone = assessed(lot, agreed, previous=previous), assessed(lot, agreed, previous=None)
    about = [f for f in found.findings if is_step(f.code)]
    assert {"pass", "near", "missing"} >= {f.verdict for f in about}
    assert {None} >= {f.claimable for f in about}
    assert {use for use, verdict in alone.uses.items() if verdict == "fail"} == {
        use for use, verdict in found.uses.items() if verdict == "fail"
    }


@THOROUGH
@given(now=NEAR_WHITE, before=NEAR_WHITE, rule=RULES, u=st.sampled_from((0.01, 0.1)), most=steps(0.1, 1.5, 0.1))
def test_no_further_from_the_reference_is_never_held(now, before, rule, u, most):
    """A lot no further from the reference than its predecessor passes its step, however large."""
    found, _ = step(now, before, most, rule, u)
    if delta_e(WHITE, now) <= delta_e(WHITE, before):
        assert "pass" == found.verdict
    elif delta_e(before, now) > most + SAME_FORMULA and delta_e(WHITE, now) > delta_e(WHITE, before) + SAME_FORMULA:
        assert "near" == found.verdict


@pytest.mark.parametrize("end", ["color.step_max", "shrinkage.step_max_percent"])
@THOROUGH
@given(
    colors=some(COLORS), coupons=some(COUPONS), agreed=limits(), previous=PREVIOUS, by=st.sampled_from((0.01, 0.4, 5.0))
)
def test_widening_a_step_never_refuses_more(end, colors, coupons, agreed, previous, by):
    """A larger allowed step keeps every pass, whatever the earlier lot."""
    lot = Evidence(color=colors, shrinkage=coupons)
    narrow, wide = (assessed(lot, each, previous=previous) for each in (agreed, widened(agreed, end, by)))
    before, after = by_code(narrow.findings), by_code(wide.findings)
    assert [] == [code for code in before if before[code].verdict == "pass" != after[code].verdict]
    assert [] == [use for use in narrow.uses if narrow.uses[use] == "pass" != wide.uses[use]]


@THOROUGH
@given(now=NEAR_WHITE, before=NEAR_WHITE, rule=RULES, u=st.sampled_from((0.01, 0.1)))
def test_accepting_a_held_step_settles_it(now, before, rule, u):
    """After quality accepts a held step, it passes and every other finding is unchanged."""
    held, whole = step(now, before, 0.3, rule, u)
    accepted, after = step(now, before, 0.3, rule, u, accepted=whole.steps_held())
    assert "pass" == accepted.verdict
    assert {} == after.steps_held()
    assert [f for f in whole.findings if f != held] == [f for f in after.findings if f != accepted]
