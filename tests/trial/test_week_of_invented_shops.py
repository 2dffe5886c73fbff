"""First entries in 200 invented shops: the real drift, no good news, and few steady series."""

from __future__ import annotations

import pytest

from lots.domain.drift.reported import FALSE_DISCOVERY_RATE
from tests.promises.promise import Rate
from tests.promises.week import false_entries, false_of, moving
from tests.trial.invented import BLUE, GOOD, LOTS, TRUE, invented

SHOPS = 200


def test_every_shop_has_150_lots_of_four_suppliers_and_three_grades():
    """The newcomer has two lots; one supplier's white drifts towards a limit."""
    shop = invented(0)
    assert (150, 150) == (sum(LOTS.values()), len(shop.lots))
    assert (4, 3) == tuple(len({pair[place] for pair in LOTS}) for place in (0, 1))
    assert list(shop.lots.rows) == sorted(shop.lots.rows, key=lambda row: row.received_at)


def test_the_first_entry_of_a_shop_is_its_real_drift():
    """The first entry is the real drift with the used share of the limit, the crossing and the stock."""
    found = invented(3).week()
    first = found["items"][0]
    assert ("limit_near", "Dwale", "PLA-HW-175") == tuple(first[name] for name in ("what", "supplier", "grade"))
    assert (*(first[name] for name in ("supplier_id", "grade_id", "measure")),) in TRUE
    assert "yellower since about lot D1-" in first["says"]
    assert "% of the tolerance" in first["says"]
    risk = first["risk"]
    assert 0.7 < risk["limit_used"] < 1.1
    assert risk["lots_left_low"] <= 3
    assert 12.0 == risk["stock_kg"]


def test_short_stock_stands_among_what_must_be_acted_on_now():
    """The stock used up sooner comes first, before waiting lots, with the supplier of the newest lot where none is more probable."""
    nobody = {"grade_id": BLUE, "use": None, "says": "Order now.", "days_low": 2.0, "days_high": 9.0}
    short = [
        {**nobody, "days_low": 5.0, "lead_days": 20.0, "stock_kg": 3.0, "supplier_id": GOOD},
        {**nobody, "lead_days": None, "stock_kg": 1.0, "supplier_id": None},
    ]
    items = invented(3).week(short)["items"]
    assert ["limit_near", "short_stock", "short_stock"] == [one["what"] for one in items[:3]]
    assert [1.0, 3.0] == [one["risk"]["stock_kg"] for one in items[1:3]]
    assert (GOOD, "Gowan") == (items[2]["supplier_id"], items[2]["supplier"])
    assert {"PLA-CB-175"} == {one["grade"] for one in items[1:3]}
    assert all(one["lot_id"] and one["supplier"] for one in items[1:3])


@pytest.mark.slow
def test_200_shops_read_their_real_drift_first_and_keep_noise_and_good_news_off():
    """The real drift is first in at least 95 % of shops, and at most 10 % of entries are steady, by the exact interval."""
    lists = [invented(seed).week() for seed in range(SHOPS)]
    first = Rate(sum(_of_drift(found["items"][0]) for found in lists), SHOPS)
    assert first.interval(0.95)[0] >= 0.95, str(first)
    words = [one["says"] for found in lists for one in found["items"]]
    assert [] == [text for text in words if "more strongly" in text or "rounder" in text or "nearer to" in text]
    assert [] == [text for text in words if "by 0.0000" in text or "by 0.00 " in text or "-0.00" in text]
    false = false_of([moving(found) for found in lists])
    low, high = false.interval(0.95)
    assert high <= FALSE_DISCOVERY_RATE, f"{false}: {low} to {high}"
    assert all(TRUE & set(moving(found)) for found in lists)


@pytest.mark.slow
def test_200_shops_where_nobody_drifts_rarely_name_a_drift():
    """Without a drift at most 10 % of shops have an entry on one, within the accuracy of the simulation."""
    false = false_entries(drifts=False, shops=SHOPS)
    low, _ = false.interval(0.95)
    assert low <= FALSE_DISCOVERY_RATE, str(false)


def _of_drift(item) -> bool:
    return (item["supplier_id"], item["grade_id"], item["measure"]) in TRUE
