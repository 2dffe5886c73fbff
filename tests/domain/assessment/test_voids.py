"""Voids by the authors of readings. Source: this project's rules."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.assessment.assessment import Evidence
from lots.domain.assessment.limits_revision import Limits
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.assessment.voids import Waiting, hold_back, hold_unconfirmed, improves, may_undo
from lots.domain.receiving.coverage import Coverage, Presented
from lots.domain.receiving.sampling_plans import plan_for
from tests.domain.builders import EVERY_LIMIT, GOOD, MONDAY, TWO_OF_TEN, assessed, by_code, color, gauge, wet
from tests.domain.strategies import LOTS, limits
from tests.examples import examples

THOROUGH = examples(200)
BY_PLAN = Coverage((Presented(10, 2, ("A", "B"), None, plan_for(10, "II", 1.0, "normal")),))


@pytest.mark.parametrize(
    ("after", "may"),
    [
        (timedelta(0), True),
        (timedelta(minutes=10), True),
        (timedelta(minutes=10, microseconds=1), False),
        (timedelta(microseconds=-1), False),
    ],
    ids=["at once", "at the end", "just after", "clock set back"],
)
def test_an_author_has_ten_minutes(after, may):
    """An author has ten minutes, end included; a clock set back gives no more time."""
    assert may == may_undo(MONDAY, MONDAY + after)


def without(evidence, kind, *values):
    """The evidence without some readings of a kind."""
    return replace(evidence, **{kind: tuple(r for r in getattr(evidence, kind) if r not in values)})


@pytest.mark.parametrize(
    ("kind", "bad"),
    [
        ("color", color("A", 90.0, -0.8, 1.5, u=0.03)),
        ("diameter", gauge("A", 1.85, 1.85, u=0.002)),
        ("moisture", wet("A", 0.2, hours=5, u=0.001)),
    ],
)
def test_the_void_of_a_reading_that_fails_improves(kind, bad):
    """The void of a failing colour or diameter, or of a wet reading, improves the verdict."""
    spoiled = replace(GOOD, **{kind: (*getattr(GOOD, kind), bad)})
    assert improves(assessed(spoiled), assessed(GOOD))


def test_a_wet_reading_speaks_of_the_other_spools_until_quality_agrees():
    """The void of a wet reading of spool A would free spool B, which was measured dry before, so it waits for quality."""
    readings = (wet("B", 0.02, 0, u=0.001), wet("A", 0.2, 1, u=0.001), wet("A", 0.02, 2, u=0.001))
    counted, left = (assessed(replace(GOOD, moisture=rows)) for rows in (readings, (readings[0], readings[2])))
    assert ("released", "released") == (counted.standing, left.standing)
    assert improves(counted, left)
    held = hold_back(left, counted, [(7, "moisture")], EVERY_LIMIT)
    assert (counted.summary.wet, counted.summary.dry_at) == (held.summary.wet, held.summary.dry_at)
    # Void of the newest reading of B, which was wet: B was dry before, and stays wet until quality agrees.
    again = (*readings, wet("B", 0.2, 3, u=0.001))
    counted, left = (assessed(replace(GOOD, moisture=rows)) for rows in (again, readings))
    held = hold_back(left, counted, [(8, "moisture")], EVERY_LIMIT)
    assert (3.0, {"A"}) == ((held.summary.wet.at - MONDAY).total_seconds() / 3600, set(held.summary.dry_at))


def test_the_void_of_the_only_reading_improves_when_it_failed():
    """The void of the only reading improves the verdict only if that reading failed."""
    bad = replace(GOOD, diameter=(gauge("A", 1.85, 1.85, u=0.002), gauge("B", 1.75, 1.75, u=0.002)))
    none = replace(GOOD, diameter=())
    assert improves(assessed(bad), assessed(none))
    assert not improves(assessed(GOOD), assessed(none))


def test_the_void_of_a_good_reading_improves_nothing():
    """The void of a reading that changes no verdict needs no agreement."""
    more = replace(GOOD, diameter=(*GOOD.diameter, gauge("A", 1.751, 1.752, u=0.002)))
    assert not improves(assessed(more), assessed(GOOD))


def test_a_spool_that_fails_by_itself_is_not_forgiven_by_its_void():
    """A void that would free only its spool, under a plan that accepts the lot, counts as an improvement; the spool fails until quality agrees."""
    plan = plan_for(150, "II", 6.5, "normal")
    coverage = Coverage((Presented(150, 2, ("A", "B"), None, replace(plan, accept=3, reject=4)),))
    only = Limits(diameter=EVERY_LIMIT.diameter)
    bad = gauge("A", 1.85, 1.85, u=0.002)
    counted = assessed(Evidence(diameter=(*GOOD.diameter, bad)), only, coverage=coverage)
    left = assessed(Evidence(diameter=GOOD.diameter), only, coverage=coverage)
    assert ("released", "released") == (counted.standing, left.standing)
    assert improves(counted, left)
    held = hold_back(left, counted, [(7, "diameter")], only)
    assert ("quarantined", {"A"}) == (held.standing, set(held.summary.nonconforming))
    assert {f.code for f in counted.summary.nonconforming["A"]} == {f.code for f in held.summary.nonconforming["A"]}


def test_a_lot_that_waits_says_for_what():
    """A lot waiting for agreement is in quarantine, its use is missing, and the tasks name the agreement."""
    bad = replace(GOOD, diameter=(*GOOD.diameter, gauge("A", 1.85, 1.85, u=0.002)))
    held = hold_back(assessed(GOOD), assessed(bad), [(7, "diameter")], EVERY_LIMIT)
    assert ("blocked", "quarantined", {"general": "missing"}) == (assessed(bad).standing, held.standing, held.uses)
    assert ("ask quality to approve the void of reading 7",) == held.to_measure
    finding = by_code(held.findings)["sampling.void"]
    assert ("missing", ("general",)) == (finding.verdict, finding.uses)
    assert "Void by the author of a reading (reading 7). Still to do: " in finding.message


def test_what_fails_otherwise_stays_failed():
    """A waiting void never softens another failure."""
    blocked = replace(GOOD, color=(color("A", 90.0, -0.8, 1.5, u=0.03),))
    bad = replace(blocked, diameter=(*GOOD.diameter, gauge("A", 1.85, 1.85, u=0.002)))
    held = hold_back(assessed(blocked), assessed(bad), [(7, "diameter")], EVERY_LIMIT)
    assert ("blocked", {"general": "fail"}) == (held.standing, held.uses)


def test_without_limits_nothing_is_held_and_nothing_passes():
    """A grade without limits holds no void and passes nothing."""
    bare = assessed(GOOD, None)
    assert bare == hold_back(bare, bare, [(7, "diameter")], None)


def passing(found):
    """Uses with permission to load a lot."""
    return {use for use, verdict in found.uses.items() if verdict == "pass"}


def failing(found):
    """(spool, code, use) of every failure of a single spool."""
    each = found.summary.nonconforming.items()
    return {(spool, f.code, use) for spool, why in each for f in why for use in f.uses}


def too_wet(found):
    """Spools to dry and measure again, of the measured ones and one unmeasured spool."""
    wetness, dry = found.summary.wet, found.summary.dry_at
    if wetness is None or not wetness.uses:
        return set()
    return {spool for spool in "ABCD" if wetness.against("L", spool, dry.get(spool))}


@THOROUGH
@given(evidence=LOTS, agreed=limits(), coverage=st.sampled_from([TWO_OF_TEN, BY_PLAN]), data=st.data())
def test_an_authors_void_never_improves_a_verdict_until_quality_agrees(evidence, agreed, coverage, data):
    """No void by an author passes a use or frees a spool that was not passed or free before, until quality agrees."""
    kept, waiting = {}, []
    for name, rows in evidence.readings.items():
        stay = data.draw(st.lists(st.booleans(), min_size=len(rows), max_size=len(rows)))
        kept[name] = tuple(row for row, stays in zip(rows, stay, strict=True) if stays)
        waiting += [(len(waiting) + n, name) for n in range(stay.count(False))]
    counted, left = (assessed(found, agreed, coverage=coverage) for found in (evidence, Evidence(**kept)))
    held = hold_back(left, counted, waiting, agreed)
    assert passing(held) <= passing(counted) & passing(left)
    assert failing(held) >= failing(counted) | failing(left)
    assert too_wet(held) >= too_wet(counted) | too_wet(left)
    assert held.standing not in LOADABLE or counted.standing in (*LOADABLE, "quarantined")
    # Only a void without an improvement is not held.
    if not improves(counted, left):
        assert passing(left) <= passing(counted)
        assert failing(left) >= failing(counted)
        assert too_wet(left) >= too_wet(counted)


@pytest.mark.parametrize("name", list(EVERY_LIMIT.blocks))
def test_a_reading_that_waits_holds_its_characteristic_and_nothing_else(name):
    """A waiting reading turns passing findings of its characteristic to missing, names itself, and changes nothing else. Common practice, no source."""
    before = assessed()
    waiting = [Waiting(12, name, "A", "1.478 mm; typed")]
    after = hold_unconfirmed(before, waiting, EVERY_LIMIT)
    said = "confirm or void reading 12: 1.478 mm, typed on spool A"
    for was, now in zip(before.findings, after.findings, strict=True):
        if was.characteristic != name:
            assert was == now
        elif was.verdict in ("pass", "near"):
            assert ("missing", said) == (now.verdict, now.to_measure)
        else:
            assert was.verdict == now.verdict
    assert said in after.to_measure
    assert "quarantined" == after.standing
    assert not improves(before, after)
    assert before == hold_unconfirmed(before, [], EVERY_LIMIT)
    assert before == hold_unconfirmed(before, waiting, None)


def test_what_fails_stays_failed_while_a_reading_waits():
    """A lot blocked by other readings stays blocked while a reading waits."""
    before = assessed(Evidence(GOOD.readings, diameter=[gauge("A", 1.9, 1.9), gauge("B", 1.75, 1.75)]))
    after = hold_unconfirmed(before, [Waiting(12, "diameter", "A", "1.478 mm")], EVERY_LIMIT)
    assert "blocked" == before.standing == after.standing
