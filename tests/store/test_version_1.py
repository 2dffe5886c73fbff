"""A shop of version 1 as its program left it: migrated, unchanged in meaning, and usable."""

import pytest

from lots.domain.code_identity import likeness
from lots.services.assessment import decisions, integrity_checks
from lots.store.tables.decisions import Decision
from lots.store.tables.loads import Job, Load, Machine
from lots.store.tables.models import Event, Grade, Lot, Spool
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(1, empty_url, engine):
        assert [
            "0002_gates",
            "0003_readings_of_any_kind",
            "0004_rules_of_the_trade",
            "0005_sessions_and_feed",
            "0006_shop_and_search",
            "0007_letters_and_certificates",
            "0008_wording",
        ] == bring_up_to_date()
        yield


def test_its_tables_are_those_of_a_new_one(shop):
    """Columns, constraints, indexes and references are those of an empty database."""
    migrated, new = tables_as_they_are_and_as_new()
    assert new == migrated


def test_nothing_in_it_changed_its_meaning(shop):
    """Every row agrees with the history, and every lot has the status by the rules of its decision."""
    assert [] == [flaw.line for flaw in integrity_checks.found()]
    stands = {
        lot.supplier_lot: lot.standing for lot in Lot.select().where(Lot.supplier_lot.in_(["O-1", "O-2", "G-1", "W-1"]))
    }
    assert {"O-1": "released", "O-2": "blocked", "G-1": "released", "W-1": "released"} == stands
    assert {None} == {lot.rules for lot in Lot.select()} | {row.rules for row in Decision.select()}


def test_a_lot_blocked_by_a_step_is_released_when_it_is_assessed_again(shop):
    """O-2 on the reference, after one 0.69 away, is blocked under version 1 and released under version 2, without its voided reading."""
    lot = Lot.get(supplier_lot="O-2")
    before = Decision.select().where(Decision.lot == lot).order_by(Decision.id.desc()).get()
    step = {finding["code"]: finding for finding in before.findings}["color.step"]
    assert ("blocked", "fail", 0.69) == (before.standing, step["verdict"], round(step["value"], 2))
    done = decisions.reassess(lot.id, "Wilhelmina")
    found = {finding["code"]: finding for finding in done["findings"]}["color.step"]
    assert ("released", "pass") == (done["standing"], found["verdict"])
    assert "no further from the reference (0.00) than the last accepted lot (0.69)" in found["message"]
    then = decisions.assessment(lot.id, before.decided_at, None, None)
    assert ("blocked", "fail") == (then["standing"], {f["code"]: f["verdict"] for f in then["findings"]}["color.step"])
    lot = Lot.get_by_id(lot.id)
    assert (2, True) == (lot.rules, lot.first_inspection["accepted"])
    assert [] == [flaw.line for flaw in integrity_checks.found()]


def test_codes_that_fold_alike_stay(shop):
    """Of codes with one identity the first has it, and the second is found by its exact text alone."""
    spools = {row.code: row.identity for row in Spool.select().where(Spool.likeness == likeness("OS1-0"))}
    assert {"OS1-0": "os1-0", "oS1-0": None} == spools
    lots = {row.supplier_lot: row.identity for row in Lot.select().where(Lot.supplier_lot.in_(["O-1", "o 1"]))}
    assert {"O-1": "o-1", "o 1": "o1"} == lots


def test_jobs_and_machines_are_those_that_loads_named(shop):
    """Each job and machine has its first typed name, and every load refers to both."""
    jobs = {row.identity: row.number for row in Job.select().where(Job.likeness == likeness("J-2040"))}
    assert {"j-2040": "J-2040", "j2040": "J2040"} == jobs
    assert not Load.select().where(Load.of_job.is_null() | Load.on_machine.is_null()).exists()
    assert ["P1", "P2"] == sorted(row.name for row in Machine.select().where(Machine.identity.in_(["p1", "p2"])))
    assert (
        2
        == Load.select()
        .where((Load.job.in_(["J-2040", "j-2040"])) & (Load.on_machine == Machine.get(name="P1")))
        .count()
    )


def test_what_cautions_forbade_is_a_field(shop):
    """Prohibitions from cautions are those of version 1's reading, unconfirmed, with a history entry."""
    matte = Grade.get(code="PLA-SN-175").forbidden_uses
    assert ["fit", "flexing", "hidden", "load_bearing"] == sorted(use["use"] for use in matte)
    assert ["load_bearing"] == [
        use["use"] for use in Grade.get(code="OLD-MATTE").forbidden_uses if "problem" in use["reason"]
    ]
    assert {"lots migrate"} == {use["by"] for use in matte}
    assert None is Grade.get(code="PLA-WB-175").forbidden_uses
    entry = Event.get(what="shop migrated")
    assert {"grade", "job", "machine"} == set(entry.content["rows"])
