"""Laws for any colours, readings and limits, by Hypothesis. Source: this project's rules."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Evidence
from lots.domain.characteristics.registry import DECLARED
from lots.domain.characteristics.shrinkage.lot_shrinkage import scale_factor, shrinkage_percent
from lots.domain.colorimetry.color_difference import DEFAULT_WEIGHTS, delta_e, mean_difference_from_mean
from lots.domain.conformity.judgement import Measured, judge
from lots.domain.conformity.limits import DecisionRule, Limit
from tests.domain.builders import assessed, bar, by_code, color, gauge, wet
from tests.domain.strategies import (
    ANY_LAB,
    COLORS,
    EVERY_END,
    KNOWN,
    LOTS,
    MAYBE,
    NEAR_WHITE,
    SPOOLS,
    limits,
    numbers,
    shuffled,
    steps,
    widened,
)
from tests.examples import examples
from tests.tolerances import LEAST_SQUARES, SAME_FORMULA, SAME_SUM

QUICK = examples(60)
THOROUGH = examples(200)
SYMMETRIC = ("CIE76", "CIEDE2000")


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@THOROUGH
@given(lab=ANY_LAB)
def test_a_colour_does_not_differ_from_itself(formula, lab):
    """Every formula gives exactly zero for a colour and itself."""
    assert 0.0 == delta_e(lab, lab, formula)


@pytest.mark.parametrize("formula", DEFAULT_WEIGHTS)
@THOROUGH
@given(one=ANY_LAB, other=ANY_LAB)
def test_a_difference_is_never_negative(formula, one, other):
    """Every formula gives at least zero."""
    assert delta_e(one, other, formula) >= 0


@pytest.mark.parametrize("formula", SYMMETRIC)
@THOROUGH
@given(one=ANY_LAB, other=ANY_LAB)
def test_a_symmetric_formula_does_not_care_which_is_the_reference(formula, one, other):
    """CIE76 and CIEDE2000 give one difference both ways, even where hues are 180 degrees apart."""
    assert pytest.approx(delta_e(one, other, formula), abs=SAME_FORMULA) == delta_e(other, one, formula)


@THOROUGH
@given(one=NEAR_WHITE, other=NEAR_WHITE, middle=NEAR_WHITE)
def test_euclidean_differences_obey_the_triangle(one, other, middle):
    """CIE76 obeys the triangle inequality."""
    straight = delta_e(one, other, "CIE76")
    assert straight <= delta_e(one, middle, "CIE76") + delta_e(middle, other, "CIE76") + SAME_FORMULA


@QUICK
@given(colors=st.lists(NEAR_WHITE, min_size=1, max_size=6), data=st.data())
def test_a_spread_does_not_depend_on_the_order(colors, data):
    """Shuffled colours have the same mean difference from the mean."""
    other = data.draw(st.permutations(colors))
    assert pytest.approx(mean_difference_from_mean(colors), abs=SAME_SUM) == mean_difference_from_mean(other)


@THOROUGH
@given(designed=numbers(1, 500), percent=numbers(-5, 10))
def test_scaling_undoes_shrinkage(designed, percent):
    """A model scaled by the factor of a shrinkage has its designed length after that shrinkage."""
    part = designed * scale_factor(percent) * (1 - percent / 100)
    assert pytest.approx(0.0, abs=LEAST_SQUARES) == shrinkage_percent(designed, part)


@THOROUGH
@given(value=numbers(0, 2), end=numbers(0.1, 1.5), u=MAYBE, z=numbers(0.1, 3))
def test_guarded_never_accepts_what_simple_refuses(value, end, u, z):
    """A guarded pass is a simple pass, and a simple failure is a guarded failure."""
    simple, guarded = (
        judge(
            "color.lot_delta_e", Measured(value, 1, uncertainty=u), Limit(None, end), DecisionRule(guarded, z)
        ).verdict
        for guarded in (False, True)
    )
    assert guarded != "pass" or simple == "pass"
    assert simple != "fail" or guarded == "fail"


@QUICK
@given(lot=LOTS, agreed=limits())
def test_a_lot_released_under_guard_is_released_without(lot, agreed):
    """A use that passes under guarded acceptance passes under simple acceptance."""
    guarded = assessed(lot, replace(agreed, rule=DecisionRule(guarded=True))).uses
    simple = assessed(lot, replace(agreed, rule=DecisionRule())).uses
    assert all(simple[use] == "pass" for use, verdict in guarded.items() if verdict == "pass")


@THOROUGH
@given(lot=LOTS, agreed=limits(), data=st.data())
def test_the_order_of_readings_changes_nothing(lot, agreed, data):
    """Replicates, spools and tests in another order give the same verdicts, and the same values except for rounding."""
    here, there = assessed(lot, agreed), assessed(shuffled(lot, data.draw), agreed)
    assert (here.standing, here.uses) == (there.standing, there.uses)
    one, other = by_code(here.findings), by_code(there.findings)
    assert {code: f.verdict for code, f in one.items()} == {code: f.verdict for code, f in other.items()}
    for code, finding in one.items():
        # Of two readings equally far out either may be shown, 1.70 or 1.80 of 1.75, so the margin is compared.
        assert pytest.approx(finding.margin, abs=LEAST_SQUARES) == other[code].margin


@pytest.mark.parametrize("end", EVERY_END)
@QUICK
@given(lot=LOTS, agreed=limits(), by=st.sampled_from((0.01, 0.4, 5.0)))
def test_widening_a_limit_never_refuses_more(end, lot, agreed, by):
    """A wider limit keeps every pass and adds no failure, per finding and per use."""
    narrow, wide = assessed(lot, agreed), assessed(lot, widened(agreed, end, by))
    before, after = by_code(narrow.findings), by_code(wide.findings)
    changes = [(before[code].verdict, after[code].verdict) for code in before]
    changes += [(narrow.uses[use], wide.uses[use]) for use in narrow.uses]
    assert not [change for change in changes if change[0] == "pass" != change[1]], "what passed still passes"
    assert not [change for change in changes if change[0] != "fail" == change[1]], "nothing else fails"


FAILING = {
    "diameter.reading": ("diameter", st.builds(lambda s, u: gauge(s, 1.87, 1.86, u), SPOOLS, MAYBE)),
    "diameter.ovality": ("diameter", st.builds(lambda s, u: gauge(s, 1.80, 1.70, u), SPOOLS, MAYBE)),
    "bond.single": ("bond", st.builds(bar, steps(1, 7, 0.5), MAYBE)),
    "moisture.percent": ("moisture", st.builds(lambda s, u: wet(s, 0.5, 9.0, u), SPOOLS, MAYBE)),
    "color.spool_delta_e": ("color", st.builds(lambda u: color("D", 90.0, -0.8, 1.5, u=u), MAYBE)),
}


@pytest.mark.parametrize("code", FAILING)
@QUICK
@given(lot=LOTS, agreed=limits(), data=st.data())
def test_a_single_failing_reading_fails_whatever_surrounds_it(code, lot, agreed, data):
    """One diameter, ovality, specimen, newest moisture or complete spool outside its limit fails its finding and improves no use."""
    characteristic, bad = FAILING[code]
    more = replace(lot, **{characteristic: (*getattr(lot, characteristic), data.draw(bad))})
    before, after = assessed(lot, agreed), assessed(more, agreed)
    assert "fail" == by_code(after.findings)[code].verdict
    needing = [use for use, needs in agreed.required().items() if characteristic in needs]
    assert all(after.uses[use] in ("fail", "missing") for use in needing)
    assert all(after.uses[use] == before.uses[use] for use in before.uses if use not in needing)


@QUICK
@given(lot=LOTS, extra=LOTS, agreed=limits())
def test_voiding_what_was_added_restores_the_assessment(lot, extra, agreed):
    """Adding readings and voiding them restores the exact assessment."""
    before = assessed(lot, agreed)
    both = Evidence({name: (*some, *extra.readings[name]) for name, some in lot.readings.items()})
    assessed(both, agreed)
    voided = Evidence({name: some[: len(lot.readings[name])] for name, some in both.readings.items()})
    assert before == assessed(voided, agreed)


@pytest.mark.parametrize("characteristic", list(DECLARED))
@QUICK
@given(lot=LOTS, agreed=limits())
def test_what_was_not_measured_never_passes(characteristic, lot, agreed):
    """Without the readings of a characteristic, none of its findings and no use that requires it passes."""
    found = assessed(replace(lot, **{characteristic: ()}), agreed)
    assert all(found.uses[use] != "pass" for use, needs in agreed.required().items() if characteristic in needs)
    assert {"missing"} == {f.verdict for f in found.findings if f.characteristic == characteristic}
    assert not found.passed(characteristic)


@QUICK
@given(readings=st.lists(COLORS, min_size=1, max_size=5), u=KNOWN, agreed=limits())
def test_every_finding_of_any_lot_words_itself(readings, u, agreed):
    """Each finding of any lot has a message that is a sentence."""
    known = tuple(replace(reading, uncertainty=u) for reading in readings)
    assert all(f.message.rstrip().endswith(".") for f in assessed(Evidence(color=known), agreed).findings)
