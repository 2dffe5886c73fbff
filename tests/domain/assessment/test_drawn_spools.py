"""The drawn sample: effects of readings of other spools, and further draws. Source: this project's rules."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Criteria, Evidence, assess
from lots.domain.assessment.drawn_spools import Wanted
from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.lot_diameter import DiameterLimits
from lots.domain.characteristics.moisture import MoistureLimits
from lots.domain.conformity import rule_versions
from lots.domain.receiving.coverage import Coverage, Presented, draw, draw_more, standing_in
from lots.domain.receiving.sampling_plans import plan_for
from tests.domain.builders import GUARDED, SHADE, TWO_OF_TEN, by_code, color, gauge, wet
from tests.domain.strategies import LOTS, limits
from tests.examples import examples

QUICK = examples(150)
ORDER = {"fail": 0, "missing": 1, "near": 2, "pass": 3}
PLANNED = Coverage((Presented(10, 2, ("A", "B"), plan=plan_for(10, "II", 10.0)),))
COLOR_ONLY = Limits(color=ColorLimits(lot_max=1.0, spool_max=1.2, readings_per_spool_min=1))
OFF, ON = (95.0, -0.8, 4.5), (95.0, -0.8, 1.5)


def judged(evidence, agreed=COLOR_ONLY, coverage=TWO_OF_TEN, version=rule_versions.CURRENT):
    """The assessment of a lot of 1.75 mm filament."""
    return assess(evidence, coverage, Criteria(agreed, SHADE, 1.75, rules=version))


def only(evidence, spools):
    """The readings of these spools; control specimens are of another material."""
    return Evidence(
        {
            name: tuple(r for r in some if r.spool in spools or getattr(r, "control", False))
            for name, some in evidence.readings.items()
        }
    )


@pytest.mark.parametrize("coverage", [TWO_OF_TEN, PLANNED], ids=["fixed", "plan"])
@QUICK
@given(lot=LOTS, agreed=limits())
def test_readings_of_spools_that_were_not_drawn_never_improve_a_verdict(coverage, lot, agreed):
    """Readings of spools that were not drawn never improve the verdict of a use or a finding."""
    without, whole = judged(only(lot, "AB"), agreed, coverage), judged(lot, agreed, coverage)
    assert all(ORDER[whole.uses[use]] <= ORDER[without.uses[use]] for use in without.uses)
    for one in without.findings:
        same = [f for f in whole.findings if f.code == one.code and set(one.uses) <= set(f.uses)]
        ranks = [1 if f.hold else ORDER[f.verdict] for f in same]
        assert min(ranks) <= (1 if one.hold else ORDER[one.verdict])
    assert (without.summary.lab, without.summary.shrinkage) == (whole.summary.lab, whole.summary.shrinkage)


@pytest.mark.parametrize("coverage", [TWO_OF_TEN, PLANNED], ids=["fixed", "plan"])
@QUICK
@given(lot=LOTS, agreed=limits())
def test_what_all_readings_refuse_stays_refused(coverage, lot, agreed):
    """A use that fails on all readings, with their spools counted as drawn, also fails here."""
    drawn = Coverage(tuple(replace(part, drawn=("A", "B", "C", "D")) for part in coverage.presented))
    every, whole = judged(lot, agreed, drawn), judged(lot, agreed, coverage)
    assert all(whole.uses[use] == "fail" for use, verdict in every.uses.items() if verdict == "fail")


@QUICK
@given(lot=LOTS, agreed=limits())
def test_where_all_spools_are_drawn_nothing_changes(lot, agreed):
    """With every spool of the lot drawn, the verdicts equal those of all readings."""
    whole = Coverage.of(4, 2, ("A", "B", "C", "D"))
    first, now = (judged(lot, agreed, whole, version) for version in (rule_versions.FIRST, rule_versions.CURRENT))
    assert first.uses == now.uses


def test_good_readings_of_other_spools_leave_the_drawn_ones_to_measure():
    """Two good spools that were not drawn release nothing, and the tasks name the drawn ones."""
    found = judged(Evidence(color=(color("C", *ON), color("D", *ON))))
    assert ("quarantined", {"general": "missing"}) == (found.standing, found.uses)
    assert ("measure colour on 2 spools (A, B), 1 reading each",) == found.to_measure
    note = "Spools C, D were not drawn for the sample. Their readings can reject the lot but not release it."
    assert note in found.notes
    assert (note,) == found.told


@pytest.mark.parametrize(
    ("spools", "standing"),
    [("CD", "blocked"), ("C", "blocked"), ("ABC", "blocked"), ("AB", "released")],
    ids=["others-alone", "one-other", "beside-good-drawn-ones", "drawn-and-good"],
)
def test_bad_readings_of_other_spools_refuse(spools, standing):
    """A spool that fails alone rejects the lot, drawn or not, and is stored as nonconforming."""
    found = judged(Evidence(color=tuple(color(s, *(ON if s in "AB" else OFF)) for s in spools)))
    assert standing == found.standing
    assert set(spools) - set("AB") == set(found.summary.nonconforming)


def test_a_lot_mean_from_other_spools_alone_refuses_too():
    """A lot mean far outside its limit rejects, even when none of its spools was drawn."""
    found = judged(Evidence(color=(color("C", *OFF), color("D", *OFF))), Limits(color=ColorLimits(lot_max=1.0)))
    assert "blocked" == found.standing


def test_the_lot_is_summed_up_by_its_drawn_spools():
    """Mean colour and flow of the lot come from the sample; each spool keeps its own flow."""
    evidence = Evidence(
        color=(color("A", *ON), color("B", *ON), color("C", 95.0, -0.8, 2.0)),
        diameter=(gauge("A", 1.75, 1.75), gauge("C", 1.70, 1.70)),
    )
    found = judged(evidence).summary
    assert list(ON) == found.lab.as_list()
    assert 1.0 == found.flow
    assert {"A", "C"} == set(found.spool_flow)


def test_a_wet_spool_that_was_not_drawn_holds_a_lot_whose_drawn_ones_were_not_measured():
    """A wet spool that was not drawn gives its remedy, together with the remaining measurements."""
    agreed = Limits(moisture=MoistureLimits(0.05))
    found = by_code(judged(Evidence(moisture=(wet("C", 0.2),)), agreed).findings)["moisture.percent"]
    assert ("fail", True) == (found.verdict, found.hold)
    assert "dry the filament" in found.to_measure
    assert "measure the moisture of a drawn spool" in found.to_measure


# Three spools whose mean is inside its limit by less than the guard band.
NEAR_LIMITS = Limits(color=ColorLimits(lot_max=1.0), rule=GUARDED)
NEAR = (color("A", 95.0, -0.8, 2.2), color("B", 95.0, -0.8, 2.5), color("C", 95.0, -0.8, 2.8))


def three_of(spools, *further):
    """Three drawn spools, then further ones."""
    return Coverage((Presented(spools, 3, ("A", "B", "C"), further=further, delivery=7),))


def test_a_finding_that_wants_more_spools_says_how_many_to_draw():
    """A near finding asks for a number of further spools, limited to those of the delivery."""
    found = judged(Evidence(color=NEAR), NEAR_LIMITS, three_of(200))
    more = by_code(found.findings)["color.lot_delta_e"].more_spools
    assert more > 2
    assert [(7, more)] == [(one.delivery, one.more) for one in found.wanted]
    (few,) = judged(Evidence(color=NEAR), NEAR_LIMITS, three_of(5)).wanted
    assert 2 == few.more
    assert few.why.startswith("Lot colour difference: measure about")


def test_nothing_more_is_drawn_while_drawn_spools_are_not_measured():
    """While drawn spools are unmeasured, the finding names them and draws no more."""
    found = judged(Evidence(color=NEAR), NEAR_LIMITS, three_of(200, ("D", "E")))
    assert () == found.wanted
    assert found.to_measure[0].endswith("more spools (drawn: D, E)")


def test_with_no_spool_left_to_draw_quality_decides():
    """When every spool was measured and the mean is still near, quality decides."""
    found = judged(Evidence(color=NEAR), NEAR_LIMITS, three_of(3))
    assert () == found.wanted
    assert "no spool of this lot is left to draw, so ask quality for a decision" in found.to_measure[0]


def test_a_refused_use_draws_nothing():
    """A lot rejected for every use draws no further spools."""
    agreed = replace(NEAR_LIMITS, diameter=DiameterLimits(reading_tolerance_mm=0.05))
    found = judged(Evidence(color=NEAR, diameter=(gauge("A", 1.85, 1.85, 0.001),)), agreed, three_of(200))
    assert ("blocked", ()) == (found.standing, found.wanted)


def test_a_further_draw_that_was_begun_is_finished():
    """A further draw must be completed before a pass."""
    good = tuple(color(spool, *ON) for spool in "ABC")
    agreed = Limits(color=ColorLimits(lot_max=1.0))
    assert "released" == judged(Evidence(color=good), agreed, three_of(20, ("D", "E"))).standing
    begun = judged(Evidence(color=(*good, color("D", *ON))), agreed, three_of(20, ("D", "E")))
    assert ("quarantined", ("measure colour on the other spools of the further draw (E)",)) == (
        begun.standing,
        begun.to_measure,
    )
    whole = judged(Evidence(color=(*good, color("D", *ON), color("E", *ON))), agreed, three_of(20, ("D", "E")))
    assert "released" == whole.standing


def test_a_sample_smaller_than_the_number_required_is_made_up():
    """Newer limits that ask for five spools extend a sample of three."""
    coverage = Coverage((Presented(20, 5, ("A", "B", "C"), delivery=7),))
    expected = Wanted(7, 2, "The sample needs 5 spools, but only 3 were drawn.")
    assert (expected,) == judged(Evidence(), Limits(color=ColorLimits(lot_max=1.0)), coverage).wanted
    made_up = Coverage((Presented(20, 5, ("A", "B", "C"), further=(("D", "E"),), delivery=7),))
    found = judged(Evidence(), Limits(color=ColorLimits(lot_max=1.0)), made_up)
    assert ((), ("measure colour on 5 spools (A, B, C, D, E), 1 reading each",)) == (found.wanted, found.to_measure)


def test_a_delivery_from_which_nobody_drew_counts_every_spool():
    """An older delivery without a draw counts every spool, as before."""
    found = judged(Evidence(color=(color("X", *ON), color("Y", *ON))), coverage=Coverage.of(10, 2))
    assert ("released", ()) == (found.standing, found.wanted)


@given(
    codes=st.lists(st.text("ABCDEF0123456789-", min_size=1, max_size=6), min_size=1, max_size=30, unique=True),
    size=st.integers(1, 10),
    more=st.integers(0, 40),
    seed=st.integers(0, 2**32 - 1),
)
def test_further_draws_go_on_in_the_order_of_the_seed(codes, size, more, seed):
    """A first and a further draw together equal one larger draw, whatever the order of the codes."""
    first = draw(codes, size, seed, "")
    rest = draw_more(reversed(codes), more, seed, first.spool_codes)
    assert not set(first.spool_codes) & set(rest)
    assert set(draw(codes, min(size, len(codes)) + more, seed, "").spool_codes) == {*first.spool_codes, *rest}


@pytest.mark.parametrize(
    ("substitutes", "measured"),
    [({}, "A"), ({"A": "D"}, "D"), ({"A": "D", "D": "E"}, "E"), ({"B": "D"}, "A"), ({"A": "D", "D": "A"}, "D")],
)
def test_a_substitute_stands_in_and_may_be_replaced_itself(substitutes, measured):
    """The last spool of a chain of substitutes is measured, and a circular chain ends."""
    assert measured == standing_in("A", substitutes)
