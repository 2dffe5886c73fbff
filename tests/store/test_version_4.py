"""A shop of version 4 as its program left it: it opens, keeps its history, and announces later changes."""

import pytest

from lots.services.assessment import integrity_checks
from lots.store.tables.models import Event, Lot, RepeatedRequest
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(4, empty_url, engine):
        assert [
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
    """The check finds nothing, statuses are unchanged, and answers for repeats are present."""
    assert [] == [flaw.line for flaw in integrity_checks.found()]
    lots = {lot.supplier_lot: lot.standing for lot in Lot.select().where(Lot.supplier_lot.startswith("K4-"))}
    assert {"K4-GOOD": "released", "K4-BAD": "blocked"} == lots
    assert 8 == RepeatedRequest.select().count()


def test_its_history_announces_nothing_from_before(shop):
    """Entries from before the feed are unchanged."""
    assert 0 == Event.select().where(Event.announces).count()
