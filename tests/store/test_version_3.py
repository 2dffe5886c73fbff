"""A shop of version 3 as its program left it: old limits keep their rules, and a new revision has the new ones."""

import pytest

from lots.domain.conformity import rule_versions
from lots.services.assessment import decisions, integrity_checks
from lots.services.setup import catalog
from lots.store.tables.models import Grade, Instrument, LimitsRevision, Lot
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new

STOOD = {
    "K3-SPECKS": "released",
    "K3-ONE": "released",
    "K3-BOND": "released",
    "K3-A": "blocked",
    "K3-B": "released",
    "K3-GUARD": "quarantined",
    "K3-COLOR": "released",
    "K3-STRING": "released",
}


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(3, empty_url, engine):
        assert [
            "0004_rules_of_the_trade",
            "0005_sessions_and_feed",
            "0006_shop_and_search",
            "0007_letters_and_certificates",
            "0008_wording",
        ] == bring_up_to_date()
        yield


def flaws():
    """The findings of the check of the shop."""
    return [flaw.line for flaw in integrity_checks.found()]


def stands():
    """The status of lots that the earlier rules passed."""
    return {lot.supplier_lot: lot.standing for lot in Lot.select().where(Lot.supplier_lot.startswith("K3-"))}


def limits_again(grade_id):
    """The same limits, set again."""
    newest = LimitsRevision.select().where(LimitsRevision.grade == grade_id).order_by(LimitsRevision.revision.desc())
    return catalog.add_limits(grade_id, dict(newest.get().body), "Wilhelmina")


def test_its_tables_are_those_of_a_new_one(shop):
    """Columns, constraints, indexes and references are those of an empty database."""
    migrated, new = tables_as_they_are_and_as_new()
    assert new == migrated


def test_nothing_in_it_changed_its_meaning(shop):
    """Every row agrees with the history, and every lot has the status of its readings under its own rules."""
    assert [] == flaws()
    assert STOOD == stands()


def test_a_lot_assessed_again_under_its_old_limits_keeps_their_rules(shop):
    """A lot reassessed under limits of version 2 is unchanged."""
    for lot in Lot.select().where(Lot.supplier_lot.startswith("K3-")):
        decisions.reassess(lot.id, "Wilhelmina")
    assert STOOD == stands()
    assert {2} == {lot.rules for lot in Lot.select().where(Lot.supplier_lot.startswith("K3-"))}
    assert [] == flaws()


def test_what_instruments_measured_stays_with_them(shop):
    """A micrometer with colour readings keeps colour, and an instrument of unknown kind keeps moisture."""
    measures = {row.code: row.measures for row in Instrument.select().where(Instrument.code.startswith("K3-"))}
    assert {"K3-GADGET": ["moisture"], "K3-MIC": ["color", "diameter", "shrinkage"]} == measures


def test_limits_set_anew_bring_the_rules_of_today(shop):
    """Under a new revision of the same limits the newest rules apply: specks per spool and sample, controls of the same printer."""
    for grade in Grade.select().where(Grade.code.startswith("K3-")):
        assert rule_versions.CURRENT == limits_again(grade.id)["rules"]
    for lot in Lot.select().where(Lot.supplier_lot.startswith("K3-")):
        decisions.reassess(lot.id, "Wilhelmina")
    assert {rule_versions.CURRENT} == {lot.rules for lot in Lot.select().where(Lot.supplier_lot.startswith("K3-"))}
    refused = {"K3-SPECKS": "blocked", "K3-BOND": "blocked", "K3-ONE": "quarantined", "K3-STRING": "quarantined"}
    assert {**STOOD, **refused} == stands()
    assert [] == flaws()
