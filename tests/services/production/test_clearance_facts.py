"""Inputs of a clearance from a spool and its lots, on rows built here. Source: this project's rules."""

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import pytest

from lots.domain.code_identity import Misread
from lots.domain.production.matching import PairMatch
from lots.services.production import clearance
from lots.services.production.clearance import Ask, Place
from tests.domain.builders import MONDAY

COSMETIC = Ask("cosmetic")
LATER = MONDAY + timedelta(days=10)
GRADE = {
    "forbidden_uses": [],
    "permitted_uses": [],
    "forbidden_shapes": [],
    "finish": None,
    "filler": None,
    "filler_kind": None,
    "shelf_life_days": 30,
    "open_life_days": None,
    "dry_for_h": None,
}


@pytest.fixture(autouse=True)
def _no_cautions(monkeypatch):
    """Sets a grade without cautions and skips the look-up of jobs."""
    monkeypatch.setattr(clearance.grade_uses, "cautions_of", lambda lot: [f"Mind {lot.supplier_lot}."])
    monkeypatch.setattr(clearance, "pairs_in_job", lambda *given: [])


def a_lot(number=1, **changed):
    """Returns a released lot that passed for cosmetic use."""
    row = {
        "id": number,
        "supplier_lot": f"L-{number}",
        "grade": SimpleNamespace(**GRADE),
        "limits_revision": None,
        "standing": "released",
        "uses": {"cosmetic": "pass"},
        "why": {},
        "by_hand": None,
        "by_hand_reason": None,
        "judged_at": MONDAY,
        "concessions": [],
        "wet": None,
        "received_at": MONDAY,
        "reinspected_until": None,
    }
    return SimpleNamespace(**{**row, **changed})


def a_spool(lot, **changed):
    """Returns a sealed, full spool of a lot."""
    row = {
        "id": 1,
        "code": "S-1",
        "lot": lot,
        "lot_id": lot.id,
        "remaining_mass_g": 800.0,
        "net_mass_g": 1000.0,
        "machine": None,
        "withdrawn_at": None,
        "nonconforming": [],
        "dry_at": None,
        "delivery": SimpleNamespace(came_at=MONDAY),
        "opened_at": None,
        "dried_at": None,
        "spliced": False,
    }
    return SimpleNamespace(**{**row, **changed})


def reasons(spool, *lots, ask=COSMETIC, at=MONDAY):
    """The reasons against loading a spool of these lots."""
    return clearance.judged(spool, [clearance.facts_of(lot) for lot in lots], ask, [], at).reasons


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"machine": "P1"}, "Spool S-1 is on machine P1. Unload it there first."),
        ({"withdrawn_at": MONDAY}, "Spool S-1 was withdrawn when its delivery was corrected. Take it to quality."),
        ({"remaining_mass_g": 0.0}, "Spool S-1 is empty."),
        ({"nonconforming": [{"uses": ["cosmetic"], "message": "Dented."}]}, "Dented."),
    ],
)
def test_what_is_wrong_with_a_spool_is_a_reason(changed, says):
    """Each fault of a spool's row is a reason, and a good row has none."""
    lot = a_lot()
    assert () == reasons(a_spool(lot), lot)
    assert (says,) == reasons(a_spool(lot, **changed), lot)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"by_hand": "block", "by_hand_reason": "Dust."}, "Lot L-1 is blocked by a manual decision. Reason: Dust."),
        ({"by_hand": "hold"}, "Lot L-1 is on hold by a manual decision."),
        ({"standing": "quarantined"}, "Lot L-1 is in quarantine."),
    ],
)
def test_what_is_wrong_with_a_lot_is_a_reason(changed, says):
    """Each fault of a lot is a reason, also a decision without a text."""
    lot = a_lot(**changed)
    assert (says,) == reasons(a_spool(lot), lot)
    assert (says,) == clearance.of_lot(clearance.facts_of(lot), "cosmetic", MONDAY).reasons


def test_a_lot_that_was_never_judged_says_so():
    """A lot without an assessment says so, whatever its row."""
    lot = a_lot(judged_at=None)
    assert ("Lot L-1 has not been assessed.",) == reasons(a_spool(lot), lot)


@pytest.mark.parametrize(("needed", "clear"), [(800.0, True), (801.0, False)])
def test_the_mass_that_is_asked_for_counts(needed, clear):
    """A spool with exactly the required mass is enough."""
    lot = a_lot()
    assert clear is (not reasons(a_spool(lot), lot, ask=Ask("cosmetic", mass_g=needed)))


def test_a_spool_is_looked_at_without_its_machine_and_mass():
    """Without machine and mass a loaded or empty spool can be clear; its own failures count."""
    lot = a_lot()
    known = [clearance.facts_of(lot)]
    away = a_spool(lot, machine="P1", remaining_mass_g=0.0)
    assert clearance.of_spool(away, known, "cosmetic", MONDAY).clear
    away.withdrawn_at = MONDAY
    assert not clearance.of_spool(away, known, "cosmetic", MONDAY).clear


@pytest.mark.parametrize("lots", [1, 2])
def test_a_concession_covers_a_spool_of_one_lot_alone(monkeypatch, lots):
    """A concession does not cover a spool with a second lot."""
    seen = []
    monkeypatch.setattr(clearance.concessions, "from_json", lambda kept: kept)
    monkeypatch.setattr(
        clearance,
        "clear",
        lambda state, *given, **named: seen.append(tuple(state.concessions)) or clearance.Clearance((), ()),
    )
    monkeypatch.setattr(clearance, "pairs_among", lambda *given: [])
    held = [a_lot(number, concessions=["permitted"]) for number in range(1, lots + 1)]
    spool = a_spool(held[0])
    reasons(spool, *held)
    clearance.of_spool(spool, [clearance.facts_of(lot) for lot in held], "cosmetic", MONDAY)
    assert [("permitted",) if lots == 1 else ()] * 2 * lots == seen


@pytest.mark.parametrize(("use", "clear"), [("cosmetic", False), ("hidden", True)])
def test_lots_on_one_spool_must_match_for_uses_that_show(monkeypatch, use, clear):
    """Two lots that do not match, by the limit of the job, are a reason where colour shows."""
    asked = []
    apart = PairMatch("L-2", 1.25, 0.8, False, "lighter", of="L-1")
    monkeypatch.setattr(clearance, "pairs_among", lambda lots, most: asked.append((lots, most)) or [apart])
    held = [a_lot(number, uses={"cosmetic": "pass", "hidden": "pass"}) for number in (1, 2)]
    assert clear is (not reasons(a_spool(held[0]), *held, ask=Ask(use, match_max=0.8)))
    assert [(held, 0.8)] == asked


def test_each_lot_of_a_spool_ages_from_its_own_delivery():
    """The spool's own lot ages from the spool's delivery, a further lot from its receipt."""
    own, further = a_lot(), a_lot(2, received_at=LATER)
    spool = a_spool(own, delivery=SimpleNamespace(came_at=MONDAY + timedelta(days=5)))
    ends = [clearance._life(spool, lot).use_by for lot in (own, further)]
    assert [MONDAY + timedelta(days=35), MONDAY + timedelta(days=40)] == ends


@pytest.mark.parametrize(
    ("at", "again", "says"),
    [
        (LATER, [(1, ["colour"])], []),
        (MONDAY + timedelta(days=31), [], []),
        (MONDAY + timedelta(days=31), [(1, ["gloss"]), (2, [])], []),
        (
            MONDAY + timedelta(days=31),
            [(1, []), (2, ["colour", "gloss"])],
            ["Lot L-1 is being inspected again. Still to do colour; gloss."],
        ),
    ],
    ids=["young", "not-begun", "done", "begun"],
)
def test_a_lot_past_its_shelf_life_says_what_its_inspection_lacks(monkeypatch, at, again, says):
    """A lot past its shelf life names what its begun re-inspection lacks."""
    lot = a_lot()
    monkeypatch.setattr(clearance, "lot_of", lambda number: number)
    monkeypatch.setattr(clearance, "inspected_again", lambda _: again)
    assert says == clearance._inspections_lacking(a_spool(lot), [lot], at)


def test_masses_of_what_was_wound_are_added_up_by_lot(monkeypatch):
    """Masses are added by lot, and a parent with several lots makes each unknown."""
    whole = [
        (SimpleNamespace(id=n, lot_id=lot, spliced=n == 4), 100.0 * n) for n, lot in ((1, 7), (2, 7), (3, 8), (4, 9))
    ]
    links = [SimpleNamespace(parent=parent, mass_g=mass_g) for parent, mass_g in whole]
    monkeypatch.setattr(clearance.shelf, "wound_from", lambda _: links)
    monkeypatch.setattr(clearance.tracing, "further_lots", lambda numbers: {4: [8]} if 4 in list(numbers) else {})
    assert {7: 300.0} == clearance._masses(SimpleNamespace(id=5))


def test_names_that_may_be_meant_are_listed_by_their_field():
    """Suggested names are listed by field."""
    place = Place(misread=(Misread("job", "J1", ("J-1", "J_1")), Misread("machine", "P1", ("P-1",))))
    assert [("job", "J-1"), ("job", "J_1"), ("machine", "P-1")] == [
        (one["field"], one["name"]) for one in clearance.candidates(place)
    ]


def test_a_pair_is_shown_with_both_its_spools():
    """A pair is shown with both its spools; whether they are known follows from the unknown lots."""
    pair = PairMatch("L-8", 0.5, 0.8, True, "lighter", of="L-1", spool="S-8", of_spool="S-1", allowance=0.1)
    shown = clearance._pair(pair)
    assert ("S-8", "S-1", True, 0.1) == tuple(
        shown[name] for name in ("spool_code", "of_spool", "spools_known", "allowance")
    )
    bare = clearance._pair(replace(pair, spool="", of_spool="", unknown=("L-8",)))
    assert (None, None, False) == tuple(bare[name] for name in ("spool_code", "of_spool", "spools_known"))


def test_an_ask_is_the_same_whatever_was_looked_up_for_it():
    """Two requests are equal whatever agreements were looked up."""
    looked_up = {frozenset(("M-1", "M-2")): None}
    assert Ask("fit", "J-1") == Ask("fit", "J-1", bridges=looked_up)
    assert Ask("fit", "J-1") != Ask("fit", "J-2")
