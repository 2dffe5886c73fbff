"""A shop of version 5 as its program left it: it opens, and lots, orders and jobs are found by parts of names."""

import pytest

from lots.services.assessment import integrity_checks
from lots.store.setup import search_keys
from lots.store.tables.models import Instrument, Lot
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(5, empty_url, engine):
        assert ["0006_shop_and_search", "0007_letters_and_certificates", "0008_wording"] == bring_up_to_date()
        yield


def test_its_tables_are_those_of_a_new_one(shop):
    """Columns, constraints, indexes and references are those of an empty database."""
    migrated, new = tables_as_they_are_and_as_new()
    assert new == migrated


def test_nothing_in_it_changed_its_meaning(shop):
    """The check finds nothing, statuses are unchanged, and instruments begin at version 1."""
    assert [] == [flaw.line for flaw in integrity_checks.found()]
    lots = {lot.supplier_lot: lot.standing for lot in Lot.select().where(Lot.supplier_lot.startswith("K5-"))}
    assert {"K5-Good.07": "released", "K5-BAD": "blocked"} == lots
    assert {1} == {instrument.version for instrument in Instrument.select()}


@pytest.mark.parametrize(
    ("kind", "text", "found"),
    [
        ("lot", "good.07", 1),
        ("lot", "5 GOOD", 1),
        ("lot", "k5-", 2),
        ("lot", "K5-GOOD.08", 0),
        ("order", "4711", 1),
        ("order", "4799", 1),
        ("order", "4712", 0),
        ("job", "k5/1", 1),
        ("job", " ", 0),
    ],
)
def test_names_are_found_by_a_part(shop, kind, text, found):
    """Names are found by a part, in any case and with any separators; an order by its present number."""
    assert found == len(search_keys.numbers(kind, text, 50))
