"""A shop of version 7, kept as that program left it: its lots keep their sentences until they are assessed again."""

import pytest

from lots.domain.conformity.rule_versions import WORDING
from lots.services import clock
from lots.services.assessment import integrity_checks
from lots.services.assessment.judging import judge_lot
from lots.store.engine.database import transaction
from lots.store.tables.models import Lot, Spool
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(7, empty_url, engine):
        assert ["0008_wording"] == bring_up_to_date()
        yield


def lot(number):
    """A lot by its supplier's number."""
    return Lot.get(Lot.supplier_lot == number)


def found():
    """The lines of the check."""
    return [flaw.line for flaw in integrity_checks.found()]


def assess_again(number):
    """Assesses a lot as a new reading would."""
    with transaction():
        judge_lot(lot(number), "Wilhelmina", clock.now())


def test_its_tables_are_those_of_a_new_one(shop):
    """Columns, rules, indexes and references are as an empty database gets them."""
    migrated, new = tables_as_they_are_and_as_new()
    assert new == migrated


def test_nothing_in_it_changed_its_meaning(shop):
    """The check finds nothing, and lots keep their standings and sentences."""
    assert [] == found()
    lots = {one.supplier_lot: one.standing for one in Lot.select().where(Lot.supplier_lot.startswith("K7-"))}
    assert {
        "K7-GOOD": "released",
        "K7-SOME": "restricted",
        "K7-BAD": "blocked",
        "K7-NEAR": "quarantined",
        "K7-OPEN": "quarantined",
        "K7-ONE-FAILS": "released",
    } == lots
    assert {None} == {one.wording for one in Lot.select()}
    assert "; outside by 0.024 mm." in lot("K7-BAD").why["hidden"][0]


def test_a_lot_that_is_assessed_again_takes_the_new_wording(shop):
    """So do its spools, and spools wound from them; nothing else changes."""
    for number in ("K7-BAD", "K7-NEAR", "K7-OPEN", "K7-ONE-FAILS"):
        before = lot(number).standing
        assess_again(number)
        assert (before, WORDING) == (lot(number).standing, lot(number).wording)
    assert ". Outside by 0.024 mm. " in lot("K7-BAD").why["hidden"][0]
    ((failing,),) = [one.nonconforming for one in Spool.select().where(Spool.code == "K7-WOUND")]
    assert ". Outside by 0.030 mm." in failing["message"]
    assert [] == found()


@pytest.mark.parametrize(
    ("column", "value"),
    [("why", {"hidden": ["Too thin."]}), ("why", {}), ("to_measure", ["a reading"]), ("uses", {"hidden": "pass"})],
)
def test_what_does_not_follow_from_readings_is_still_found(shop, column, value):
    """A use, or something to be measured, that was put in or taken out of an older lot's row."""
    Lot.update({column: value}).where(Lot.supplier_lot == "K7-BAD").execute()
    assert [column.replace("_", " ") + " does not follow from its readings."] == [
        line.partition(": ")[2] for line in found()
    ]


def test_an_edited_sentence_is_found_once_a_lot_has_the_new_wording(shop):
    """The wording's version is in the history, so it cannot be taken back either."""
    assess_again("K7-BAD")
    why = {use: ["Fine."] for use in lot("K7-BAD").why}
    Lot.update(why=why).where(Lot.supplier_lot == "K7-BAD").execute()
    assert 1 == len(found())
    Lot.update(wording=None).where(Lot.supplier_lot == "K7-BAD").execute()
    (line,) = found()
    assert "was edited since" in line
