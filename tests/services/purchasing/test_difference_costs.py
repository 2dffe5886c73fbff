"""Costs of the difference between suppliers: kilograms, money, holds and readings, computed by hand."""

from datetime import timedelta

import pytest

from lots.services import clock
from lots.services.purchasing.comparison import compare
from lots.services.purchasing.difference_costs import NEWEST
from lots.services.setup import shop as details
from tests.api.test_queries import statements
from tests.journeys.supply import (
    BAD,
    BOTH_ENGINES,
    COLOR,
    DIAMETER,
    GOOD,
    at_the_desks,
    color,
    delivery,
    judged,
    month,
    reading,
)
from tests.store.rows import connected
from tests.tolerances import SAME_FORMULA

PRICED = {"cost": 20.0, "currency": "EUR"}


def bench(cost: float = 30.0, currency: str = "EUR", minutes: float = 6.0) -> None:
    """Sets the cost of an hour at the bench and the time of a reading."""
    said = {"bench_cost_per_h": cost, "bench_currency": currency, "minutes_per_reading": minutes}
    with connected():
        details.change(details.view()["version"], said, "Anselm")


def costs(grade, use=None):
    """The costs of the difference, and each supplier's row by code."""
    with connected():
        found = compare(grade["id"], None, None, use)["costs_of_difference"]
    return found, {line["supplier"].removeprefix("Supplier "): line for line in found["suppliers"]}


@BOTH_ENGINES
def test_an_accepted_kg_costs_the_price_of_all_lots_and_measuring(shop):
    """Three lots of 1 kg at 20 EUR, one blocked, 6 minutes each at 30 EUR/h: 60 / 2 and 9 / 2 EUR per accepted kg."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "AAR", **PRICED)
    judged(shop.supplier("NBK"), grade, "AAAA", prefix="N", **PRICED)
    bench()
    found, lines = costs(grade)
    one, two = lines["QWT"], lines["NBK"]
    assert (2.0, 1.0, 20.0, "EUR", 10.0) == (
        one["accepted_kg"],
        one["rejected_kg"],
        one["rejected_cost"],
        one["rejected_currency"],
        one["rejected_cost_per_accepted_kg"],
    )
    assert pytest.approx((4.5, 34.5, 1.0, 0.1), abs=SAME_FORMULA) == (
        one["bench_cost_per_accepted_kg"],
        one["cost_per_accepted_kg"],
        one["readings_per_lot"],
        one["bench_hours_per_lot"],
    )
    assert pytest.approx((0.0, 0.0, 23.0), abs=SAME_FORMULA) == (
        two["rejected_kg"],
        two["rejected_cost"],
        two["cost_per_accepted_kg"],
    )
    more = "Supplier QWT costs 11.50 EUR more per kg accepted for at least one use than Supplier NBK."
    assert f"{more} This includes the price of accepted and rejected lots, and measuring." == found["says"]
    assert (["price", "measuring"], None) == (one["includes"], one["why"])


def test_without_the_cost_of_an_hour_the_price_alone_is_told(shop):
    """Without bench cost the price is 60 EUR for 2 accepted kg beside 20 EUR a kg, without a mention of measuring."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "AAR", **PRICED)
    judged(shop.supplier("NBK"), grade, "AA", prefix="N", **PRICED)
    found, lines = costs(grade)
    assert (30.0, ["price"]) == (lines["QWT"]["cost_per_accepted_kg"], lines["QWT"]["includes"])
    assert "costs 10.00 EUR more per kg" in found["says"]
    assert found["says"].endswith("This includes the price of accepted and rejected lots.")


def test_a_rejected_lot_without_a_cost_leaves_its_supplier_out(shop):
    """A supplier with a rejected lot without a cost has no figure, and the sentence compares the others with the reason."""
    grade = shop.grade(limits=DIAMETER)
    for code, cost in (("QWT", 20.0), ("NBK", 24.0), ("SDG", 22.0)):
        judged(shop.supplier(code), grade, "AA", prefix=code, cost=cost, currency="EUR")
    nobody = shop.get("quality", "/suppliers")["items"]
    (supplier,) = [one for one in nobody if one["code"] == "QWT"]
    judged(supplier, grade, "R", first=3)
    bench()
    found, lines = costs(grade)
    line = lines["QWT"]
    assert (None, None, [], 1) == (
        line["cost_per_accepted_kg"],
        line["rejected_cost"],
        line["includes"],
        line["rejected_without_cost"],
    )
    assert "1 rejected delivery has no recorded cost." == line["why"]
    assert "Supplier NBK costs 2.00 EUR more per kg accepted for at least one use than Supplier SDG." in found["says"]
    assert "Supplier QWT is left out. 1 rejected delivery has no recorded cost." in found["says"]
    with connected():
        told = compare(grade["id"], None, None)["suppliers"]
    assert {"Supplier QWT": 1, "Supplier NBK": 0, "Supplier SDG": 0} == {
        one["supplier"]: one["cost"]["without_cost"] for one in told
    }


def test_readings_of_a_lot_that_is_not_decided_are_not_counted(shop):
    """Kilograms and readings of a lot in quarantine do not count."""
    grade, supplier = shop.grade(limits={**DIAMETER, "sampling": {"fixed": 2}}), shop.supplier("QWT")
    with at_the_desks():
        for number, read in ((1, 2), (2, 1)):
            spools = delivery(supplier, grade, f"Q-{number}", month(number), spools=2, **PRICED)["spools"]
            for spool in spools[:read]:
                reading("diameter", spool["code"], month(number), d1_mm=GOOD, d2_mm=GOOD)
    bench()
    (line,) = costs(grade)[0]["suppliers"]
    assert (2, 1, 1, 2.0) == (line["lots"], line["lots_inspected"], line["lots_waiting"], line["readings_per_lot"])
    # 20 EUR and two readings of 6 minutes at 30 EUR/h for 2 kg.
    assert pytest.approx(10.0 + 3.0, abs=SAME_FORMULA) == line["cost_per_accepted_kg"]


def test_the_difference_is_that_of_the_figures_shown(shop):
    """20.00 and 30.01 are shown, so the difference is 10.01, whatever the further decimals."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "A", cost=20.004, currency="EUR")
    judged(shop.supplier("NBK"), grade, "A", prefix="N", cost=30.006, currency="EUR")
    found, _ = costs(grade)
    assert "costs 10.01 EUR more" in found["says"]


def test_what_went_back_is_told_apart_and_costs_nothing(shop):
    """A returned lot is neither accepted nor rejected, and listed separately."""
    grade = shop.grade(limits=DIAMETER)
    lots = judged(shop.supplier("QWT"), grade, "AAR", **PRICED)
    shop.decide(lots[2], "return")
    (line,) = costs(grade)[0]["suppliers"]
    assert (2.0, 0.0, 1.0, 0.0) == (
        line["accepted_kg"],
        line["rejected_kg"],
        line["returned_kg"],
        line["rejected_cost"],
    )


def test_currencies_are_never_added_up(shop):
    """Amounts in two currencies, of lots or bench hours, have no sum."""
    grade, supplier = shop.grade(limits=DIAMETER), shop.supplier("QWT")
    judged(supplier, grade, "AR", **PRICED)
    bench(currency="GBP")
    (line,) = costs(grade)[0]["suppliers"]
    assert (20.0, "EUR", None, None) == (
        line["rejected_cost"],
        line["rejected_currency"],
        line["cost_per_accepted_kg"],
        line["currency"],
    )
    assert "different currencies (EUR and GBP), which are not added up" in line["why"]
    judged(supplier, grade, "R", first=3, cost=15.0, currency="GBP")
    (line,) = costs(grade)[0]["suppliers"]
    assert (2.0, None, None) == (line["rejected_kg"], line["rejected_cost"], line["rejected_cost_per_accepted_kg"])
    assert "(EUR, GBP), which are not added up" in line["says"]


def test_without_prices_kilograms_alone_are_told(shop):
    """With one rejected delivery without a cost there is no money, and the sentence compares kilograms."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "AR")
    judged(shop.supplier("NBK"), grade, "AA", prefix="N")
    found, lines = costs(grade)
    assert (None, 1.0) == (lines["QWT"]["rejected_cost"], lines["QWT"]["rejected_per_accepted_kg"])
    assert "Supplier QWT: 1.00 kg rejected per kg accepted for at least one use." in found["says"]
    assert "Costs cannot be compared." in found["says"]
    assert "Supplier QWT: 1 rejected delivery has no recorded cost." in found["says"]


def test_a_restricted_lot_is_rejected_for_the_use_that_it_fails(shop):
    """An off-colour lot with a good diameter is rejected for cosmetic, accepted for fit and for at least one use."""
    grade = shop.grade(limits={**COLOR, **DIAMETER, "uses": {"cosmetic": ["color"], "fit": ["diameter"]}})
    supplier = shop.supplier("QWT")
    with at_the_desks():
        for number, (apart, d_mm) in enumerate([(0.1, GOOD), (2.0, GOOD), (2.0, BAD)], start=1):
            spool = delivery(supplier, grade, f"Q-{number}", month(number), **PRICED)["spools"][0]["code"]
            color(spool, month(number), apart)
            reading("diameter", spool, month(number), d1_mm=d_mm, d2_mm=d_mm)
    seen = {use: costs(grade, use)[0]["suppliers"][0] for use in (None, "cosmetic", "fit")}
    assert {None: (2.0, 1.0, 0.0, 20.0), "cosmetic": (1.0, 2.0, 1.0, 40.0), "fit": (2.0, 1.0, 0.0, 20.0)} == {
        use: (line["accepted_kg"], line["rejected_kg"], line["restricted_kg"], line["rejected_cost"])
        for use, line in seen.items()
    }


def test_days_on_hold_last_from_quarantine_to_the_first_verdict(shop):
    """Days on hold end with the first verdict, three and five here; a lot without a verdict has none."""
    grade, supplier = shop.grade(limits=DIAMETER), shop.supplier("QWT")
    begun = month(1)
    with clock.clock_set_to(begun), at_the_desks():
        codes = [delivery(supplier, grade, f"Q-{number}", begun)["spools"][0]["code"] for number in (1, 2, 3)]
    for code, days in zip(codes, (3, 5), strict=False):
        with clock.clock_set_to(begun + timedelta(days=days)), at_the_desks():
            reading("diameter", code, begun, d1_mm=GOOD, d2_mm=GOOD)
    shop.decide(1, "block")
    (line,) = costs(grade)[0]["suppliers"]
    assert (2, 1) == (line["lots_held"], line["lots_waiting"])
    assert pytest.approx(4.0, abs=SAME_FORMULA) == line["hold_days"]


@BOTH_ENGINES
def test_ten_times_the_lots_take_as_many_queries(shop):
    """The comparison of a grade needs the same statements for ten times the lots."""
    grade, supplier = shop.grade(limits=DIAMETER), shop.supplier("QWT")
    made = {}
    for number, first in ((5, 1), (NEWEST, 6)):
        judged(supplier, grade, "A" * number, first=first)
        with connected(), statements() as seen:
            found = compare(grade["id"], None, None)
        made[number] = len(seen)
    assert made[5] == made[NEWEST] <= 12
    assert NEWEST == found["costs_of_difference"]["suppliers"][0]["lots"]
