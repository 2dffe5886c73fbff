"""A shop of version 6 as its program left it: it opens, with the uses for which each lot was accepted."""

import pytest

from lots.services.assessment import integrity_checks
from lots.services.setup import shop as shop_details
from lots.store.drift import lot_series
from lots.store.tables.models import Certificate, Delivery, Letter, Lot
from tests.store.kept_shops import bring_up_to_date, kept, tables_as_they_are_and_as_new


@pytest.fixture
def shop(empty_url, engine):
    """The shop at the newest version, open."""
    with kept(6, empty_url, engine):
        assert ["0007_letters_and_certificates", "0008_wording"] == bring_up_to_date()
        yield


def test_its_tables_are_those_of_a_new_one(shop):
    """Columns, constraints, indexes and references are those of an empty database."""
    migrated, new = tables_as_they_are_and_as_new()
    assert new == migrated


def test_nothing_in_it_changed_its_meaning(shop):
    """The check finds nothing, statuses are unchanged, new columns are empty and new tables have no rows."""
    assert [] == [flaw.line for flaw in integrity_checks.found()]
    lots = {lot.supplier_lot: lot.standing for lot in Lot.select().where(Lot.supplier_lot.startswith("K6-"))}
    wanted = {"K6-GOOD": "released", "K6-SOME": "restricted", "K6-BAD": "blocked", "K6-OPEN": "quarantined"}
    assert wanted == lots
    assert {None} == {delivery.ordered_at for delivery in Delivery.select()}
    assert [0, 0] == [Letter.select().count(), Certificate.select().count()]


def test_the_shops_own_words_stay_and_the_rest_is_the_default(shop):
    """The shop's stated details are unchanged, and new ones have defaults."""
    now = shop_details.details()
    assert ("Saltmarsh Yard Prints", "comma") == (now.name, now.decimal_sign)
    assert (7, 4.0, None, None) == (
        now.usual_quarantine_days,
        now.minutes_per_reading,
        now.bench_cost_per_h,
        now.bench_currency,
    )


def test_lots_inspected_before_tell_for_which_uses_they_were_accepted(shop):
    """Present verdicts give the uses, because no reading was repeated; a lot in quarantine has none."""
    uses = {row.supplier_lot: dict(row.uses) for row in lot_series.lots_of().rows if row.supplier_lot.startswith("K6-")}
    assert {
        "K6-GOOD": {"hidden": True, "cosmetic": True},
        "K6-SOME": {"hidden": True, "cosmetic": False},
        "K6-BAD": {"hidden": False, "cosmetic": False},
        "K6-OPEN": {},
    } == uses
