"""Figures and analyses cached by input: equal to the rows, by month or at once, before and after a void."""

from __future__ import annotations

import pytest

from lots.services.drift import drift
from lots.services.purchasing import comparison, within_a_grade
from lots.store.drift import lot_series, series
from lots.store.engine.remembered import Remembered
from tests.journeys.supply import whites
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


@pytest.fixture
def bought(shop):
    """Makes fourteen lots of one supplier and nine of another, one per month, one of them rejected."""
    shop.one, shop.two = shop.supplier("QWT"), shop.supplier("NBK")
    shop.white = shop.grade("PLA-HW-175", SIMPLE_LIMITS)
    shop.numbers = whites(shop.one, shop.white, [0.1 * number for number in range(13)] + [6.0])
    whites(shop.two, shop.white, [0.0, 0.05] * 4 + [0.02], prefix="N")
    return shop


def read(**which):
    """Returns all lots with their figures, as plain values."""
    with connected():
        found = lot_series.lots_of(**which)
    columns = {name: (column.at.tolist(), column.figures.tolist()) for name, column in found.columns.items()}
    return list(found.rows), str(columns)


def emptied(monkeypatch):
    """Clears the cache."""
    monkeypatch.setattr(lot_series, "_READ", Remembered(0))
    monkeypatch.setattr(drift, "_ANALYSES", Remembered(0))
    monkeypatch.setattr(within_a_grade, "_COMPONENTS", Remembered(0))


def test_lots_read_month_by_month_are_those_read_at_once(bought, monkeypatch):
    """Lots read by month or at once have equal rows, places and figures, with the text of a failed lot."""
    whole = read(), read(supplier_id=bought.one["id"])
    assert any(row.failed for row in whole[0][0])
    monkeypatch.setattr(lot_series, "_AT_ONCE", 2)
    assert whole == (read(), read(supplier_id=bought.one["id"]))
    emptied(monkeypatch)
    assert whole == (read(), read(supplier_id=bought.one["id"]))


def test_a_void_is_seen_by_the_next_question(bought, monkeypatch):
    """After a void comparison and drift equal those without a cache."""

    def asked():
        with connected():
            compared = comparison.compare(bought.white["id"], None, None)
            followed = drift.drift_of(bought.one["id"], bought.white["id"], "color", drift.LotSpan())
        return str(compared), str(followed)

    before = asked()
    assert before == asked()
    (reading,) = bought.get("quality", f"/lots/{bought.numbers[-1]}/readings")["items"]
    bought.void(reading["id"])
    after = asked()
    assert before != after
    emptied(monkeypatch)
    assert after == asked()


def test_a_grade_is_counted_with_the_suppliers_that_it_has_lots_of(bought):
    """A grade counts one of two suppliers, none, and a supplier without lots."""
    black, empty = bought.grade("PLA-BK-175", SIMPLE_LIMITS), bought.grade("PLA-GY-175", SIMPLE_LIMITS)
    bought.supplier("THD")
    whites(bought.one, black, [0.0], prefix="B")
    with connected():
        assert {bought.white["id"]: 2, black["id"]: 1} == series.suppliers_of_grades()
    assert empty["id"] not in (bought.white["id"], black["id"])
