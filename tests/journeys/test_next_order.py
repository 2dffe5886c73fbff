"""Supplier of the next order: cost of a usable kilogram, significant differences, and missing records."""

from datetime import timedelta

import pytest
from scipy import stats

from lots.store.tables.models import Delivery
from tests import tolerances
from tests.api.test_queries import statements
from tests.journeys.supply import BOTH_ENGINES, DIAMETER, at_the_desks, delivery, judged, month, reading, whites
from tests.pages.reading import Browser
from tests.shop import CONDITIONS, WHITE

COSMETIC = {
    "sampling": {"fixed": 1},
    "color": {"lot_max": 1.0},
    "diameter": {"reading_tolerance_mm": 0.05},
    "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]},
}
PAID = {"cost": 20.0, "currency": "EUR"}


@pytest.fixture
def engine():
    """SQLite alone, because rows are assembled outside the database; tests that name engines compare both."""
    return "sqlite"


def asked(shop, grade, use="hidden", role="purchasing"):
    """The answer on the next order."""
    return shop.get(role, f"/next-order?grade_id={grade['id']}&use={use}")


def line_of(found, supplier):
    """The answer on one supplier."""
    return next(line for line in found["suppliers"] if line["supplier_id"] == supplier["id"])


def bench(shop, cost=30.0, currency="EUR", minutes=6):
    """Sets the cost of an hour at the bench."""
    answer = shop.call("admin", "GET", "/shop")
    body = {"bench_cost_per_h": cost, "bench_currency": currency, "minutes_per_reading": minutes}
    done = shop.call("admin", "PATCH", "/shop", body, If_Match=answer.headers["ETag"])
    assert 200 == done.status_code, done.get_data(as_text=True)


@BOTH_ENGINES
def test_a_good_supplier_at_the_same_price_costs_significantly_less(shop):
    """Twenty of twenty against eight of twenty at 20 EUR per kg differ significantly, at one look."""
    good, poor, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=DIAMETER)
    judged(good, grade, "A" * 20, **PAID)
    judged(poor, grade, "ARRAR" * 4, prefix="N", **PAID)
    found = asked(shop, grade)
    assert ["Supplier QWT", "Supplier NBK"] == [line["supplier"] for line in found["suppliers"]]
    best, worst = found["suppliers"]
    assert (20.0, "EUR", 8, 20) == tuple(best[name] for name in ("price_per_kg", "currency", "deliveries", "n"))
    assert (0, 12) == (worst["rejected_returned"], worst["rejected_kept"])
    assert 20.0 == pytest.approx(best["low"])
    assert best["high"] < worst["low"]
    (pair,) = found["comparisons"]
    assert (good["id"], 0.95) == (pair["cheaper_supplier_id"], pytest.approx(pair["confidence"]))
    # By Jeffreys' prior with one possible change (probability 0.3), summed over its places: 0.97003 for 20 of 20. Half of the rejected
    # lots are taken as returned: 20 * (1 + 0.97003) / (2 * 0.97003) = 20.31.
    assert found["says"].startswith("Supplier QWT costs significantly less than Supplier NBK: 20.31 EUR per usable kg")
    assert "This holds for a single comparison." in found["holds"]


def test_the_cost_follows_from_price_measuring_and_the_forecast(shop):
    """The cost follows from prices of 18 to 22, nine of twelve accepted, 6 min per lot at 30 EUR/h, and all rejected lots kept."""
    bench(shop)
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    for number, outcome in enumerate("AAARAARAAARA", 1):
        judged(supplier, grade, outcome, first=number, cost=[18.0, 20.0, 22.0, 20.0][number % 4], currency="EUR")
    line = line_of(asked(shop, grade), supplier)
    said = shop.get("purchasing", f"/forecast?supplier_id={supplier['id']}&grade_id={grade['id']}&use=general")
    assert (said["probability"], said["low"], said["high"]) == tuple(
        line[name] for name in ("probability_usable", "probability_low", "probability_high")
    )
    assert (20.0, 1.0, pytest.approx(3.0)) == (line["price_per_kg"], line["readings_per_lot"], line["measuring_per_kg"])
    p, lost = said["probability"], 3.5 / 4
    assert (
        pytest.approx(20 + 20 * lost * (1 - p) / p + 3 / p, rel=tolerances.SAME_FORMULA)
        == (line["expected_cost_per_usable_kg"])
    )
    assert line["low"] < line["expected_cost_per_usable_kg"] < line["high"]


def test_lots_returned_for_credit_cost_less_than_lots_kept(shop):
    """Of two equal suppliers, one with returned lots costs less, only the measuring."""
    back, kept, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=DIAMETER)
    made = judged(back, grade, "AAARAARAA", **PAID)
    judged(kept, grade, "AAARAARAA", prefix="N", **PAID)
    for lot in (made[3], made[6]):
        shop.decide(lot, "return", "sent back for credit")
    found = asked(shop, grade)
    lines = [line_of(found, supplier) for supplier in (back, kept)]
    assert [(2, 0), (0, 2)] == [(line["rejected_returned"], line["rejected_kept"]) for line in lines]
    assert lines[0]["expected_cost_per_usable_kg"] < lines[1]["expected_cost_per_usable_kg"]
    # Mean of a beta distribution with parameters 0.5 and 0.5 more than the counts.
    shares = [stats.beta(2.5, 0.5).mean(), stats.beta(0.5, 2.5).mean()]
    assert [pytest.approx(share) for share in shares] == [line["share_returned"] for line in lines]
    assert "2 lots rejected for this use, 2 of them returned." in lines[0]["returned_says"]
    assert lines[1]["returned_says"].endswith("0 of them returned. The share returned is estimated as 16.7 %.")
    for line in lines:
        p, lost = line["probability_usable"], 1 - line["share_returned"]
        expected = line["price_per_kg"] * (1 + lost * (1 - p) / p)
        assert pytest.approx(expected) == line["expected_cost_per_usable_kg"]


def test_without_a_rejected_lot_half_of_the_next_ones_are_taken_as_returned(shop):
    """Without a rejected lot half of future ones count as returned, and the page says so."""
    grade = shop.grade(limits=DIAMETER)
    judged(shop.supplier("QWT"), grade, "AAAA", **PAID)
    found = asked(shop, grade)
    (line,) = found["suppliers"]
    assert 0.5 == line["share_returned"]
    assert "no lot rejected for this use. The share returned is estimated as 50 %." in line["returned_says"]
    assert "The share returned is the mean under Jeffreys' prior" in found["rule"]
    text = Browser(shop, "purchasing").go(f"/purchasing/next-order?grade_id={grade['id']}&use=hidden").text
    assert line["returned_says"] in text
    assert "Jeffreys' prior" in text


def test_suppliers_alike_do_not_differ(shop):
    """The same record and price differ not significantly, and the answer says so."""
    one, two, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=DIAMETER)
    judged(one, grade, "AAAAARAAAA", **PAID)
    judged(two, grade, "AAAAAAARAA", prefix="N", **PAID)
    found = asked(shop, grade)
    assert [None] == [pair["cheaper_supplier_id"] for pair in found["comparisons"]]
    assert "No significant difference from Supplier" in found["says"]
    assert "no significant difference in cost per usable kg." in found["comparisons"][0]["says"]


def test_a_lot_rejected_for_one_use_is_usable_for_another(shop):
    """Yellow lots fail cosmetic and pass hidden, so they cost more for cosmetic, where they count as not returned."""
    supplier, grade = shop.supplier(), shop.grade(limits=COSMETIC)
    with at_the_desks():
        for number in range(1, 13):
            spool = delivery(supplier, grade, f"Q-{number:02d}", month(number), **PAID)["spools"][0]["code"]
            reading("diameter", spool, month(number), d1_mm=1.75, d2_mm=1.75)
            lab = [WHITE[0], WHITE[1], WHITE[2] + (2.0 if number % 3 == 0 else 0.0)]
            reading("color", spool, month(number), lab=lab, conditions=CONDITIONS)
    cosmetic, hidden = (line_of(asked(shop, grade, use), supplier) for use in ("cosmetic", "hidden"))
    assert (4, 0) == (cosmetic["rejected_kept"], hidden["rejected_kept"])
    assert hidden["expected_cost_per_usable_kg"] < cosmetic["expected_cost_per_usable_kg"]
    fit = line_of(asked(shop, grade, "fit"), supplier)
    assert (None, "The limits of PLA-HW-175 do not cover fit. Ask quality to add this use.") == (
        fit["expected_cost_per_usable_kg"],
        fit["why"],
    )


def test_a_drift_towards_the_limit_is_told_apart(shop):
    """Twelve lots, each 0.085 yellower, and a limit at 1: the cost of the change is given. Three lots later only the difference is."""
    walking, steady, grade = (
        shop.supplier("QWT"),
        shop.supplier("NBK"),
        shop.grade(limits=COSMETIC | {"uses": {"cosmetic": ["color"]}}),
    )
    noise = [0.03, -0.05, 0.04, 0.0, -0.02, 0.05, -0.03, 0.02, 0.01, -0.04, 0.03, -0.01]
    whites(walking, grade, [0.085 * number + 2 * b for number, b in enumerate(noise)])
    whites(steady, grade, noise, prefix="N")
    with at_the_desks():
        Delivery.update(cost=20.0, currency="EUR").execute()
    found = asked(shop, grade, "cosmetic")
    moving, calm = line_of(found, walking), line_of(found, steady)
    assert moving["by_likely_change"] > 1
    assert calm["by_likely_change"] is None
    assert "A likely change of its lots increases this by" in moving["says"]
    whites(walking, grade, [0.085 * number for number in (12, 13, 14)], first=13)
    found = asked(shop, grade, "cosmetic")
    moving = line_of(found, walking)
    assert (None, None) == (moving["expected_cost_per_usable_kg"], moving["high"])
    assert "Without the likely change of its lots it would be" in moving["why"]
    (pair,) = found["comparisons"]
    assert (steady["id"], None) == (pair["cheaper_supplier_id"], pair["difference"])
    assert "Too few lots of Supplier QWT may be usable." in found["says"]


@BOTH_ENGINES
def test_what_is_missing_is_named(shop):
    """Without a price, a concluded lot or enough usable lots there is no cost, but the missing record."""
    grade = shop.grade(limits=DIAMETER)
    unpaid, waiting, poor = (shop.supplier(code) for code in ("QWT", "NBK", "TRF"))
    judged(unpaid, grade, "AAAA")
    judged(waiting, grade, "--", prefix="N", **PAID)
    judged(poor, grade, "RRRR", prefix="T", **PAID)
    found = asked(shop, grade)
    whys = {line["supplier"]: line["why"] for line in found["suppliers"]}
    assert "Record the cost and currency of a delivery." in whys["Supplier QWT"]
    assert "Finish the inspection of its lots." in whys["Supplier NBK"]
    assert "too few of its lots may be usable" in whys["Supplier TRF"]
    assert [] == found["comparisons"]
    assert found["says"].startswith("No cost is known for the next order of PLA-HW-175 for hidden.")
    empty = asked(shop, shop.grade("BARE"))
    assert ([], "No lot of BARE has been received yet, so no supplier can be compared.") == (
        empty["suppliers"],
        empty["says"],
    )


def test_one_price_alone_has_no_interval(shop):
    """A single price has a cost without an interval or a difference."""
    one, two, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=DIAMETER)
    for supplier, prefix in ((one, "Q"), (two, "N")):
        judged(supplier, grade, "A" * 8, prefix=prefix)
        judged(supplier, grade, "A", first=9, prefix=prefix, **PAID)
    found = asked(shop, grade)
    assert [(None, None)] * 2 == [(line["low"], line["high"]) for line in found["suppliers"]]
    assert all(line["expected_cost_per_usable_kg"] > 20 for line in found["suppliers"])
    (pair,) = found["comparisons"]
    assert (None, None) == (pair["low"], pair["cheaper_supplier_id"])
    assert "the spread of prices is not known yet" in pair["says"]


def test_currencies_are_not_compared(shop):
    """A supplier in another currency is separate, and measuring in EUR is not added."""
    bench(shop)
    one, two, grade = shop.supplier("QWT"), shop.supplier("NBK"), shop.grade(limits=DIAMETER)
    judged(one, grade, "AAAAAA", **PAID)
    judged(two, grade, "AAAAAA", prefix="N", cost=1.0, currency="USD")
    found = asked(shop, grade)
    assert [] == found["comparisons"]
    assert "Costs in different currencies are not compared." in found["says"]
    assert None is line_of(found, two)["measuring_per_kg"]
    assert "It is not included in costs in USD." in found["measuring"]


def test_a_corrected_price_and_the_lead_time_count(shop):
    """A corrected cost is the price, and the lead time is the median from order to delivery."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    with at_the_desks():
        for number, days in enumerate((10, 14, 30), 1):
            more = {"ordered_at": month(number) - timedelta(days=days), "cost": 20.0, "currency": "EUR"}
            spool = delivery(supplier, grade, f"Q-{number}", month(number), **more)["spools"][0]["code"]
            reading("diameter", spool, month(number), d1_mm=1.75, d2_mm=1.75)
    first = shop.get("receiving", "/deliveries?limit=1")["items"][0]["id"]
    read = shop.call("receiving", "GET", f"/deliveries/{first}")
    body = {"cost": 26.0, "reason": "the invoice says so"}
    done = shop.call("quality", "PATCH", f"/deliveries/{first}", body, If_Match=read.headers["ETag"])
    assert 200 == done.status_code, done.get_data(as_text=True)
    line = line_of(asked(shop, grade), supplier)
    assert (22.0, 20.0) == (line["price_per_kg"], line["latest_price_per_kg"])
    assert (14.0, 3) == (line["lead_days"], line["deliveries_with_lead_time"])


def test_a_forbidden_use_is_not_ordered_for(shop):
    """For a use that the grade prohibits no supplier has a cost."""
    supplier, grade = shop.supplier(), shop.grade("MATTE", limits=DIAMETER, finish="matte")
    judged(supplier, grade, "AAAAAA", **PAID)
    line = line_of(asked(shop, grade, "load_bearing"), supplier)
    assert None is line["expected_cost_per_usable_kg"]
    assert "forbidden for load-bearing use" in line["why"]


def test_asked_again_it_says_the_same_in_as_many_statements(shop):
    """Draws are seeded by the lots, so repeated requests agree for all roles, in a fixed number of statements."""
    suppliers, grade = [shop.supplier(code) for code in ("QWT", "NBK", "TRF")], shop.grade(limits=DIAMETER)
    judged(suppliers[0], grade, "AAAR", **PAID)

    def counted():
        with statements() as seen:
            found = asked(shop, grade)
        return found, len(seen)

    found, few = counted()
    assert found == asked(shop, grade, role="quality")
    for supplier, prefix in zip(suppliers[1:], "NT", strict=True):
        judged(supplier, grade, "AARA" * 6, prefix=prefix, **PAID)
    assert few == counted()[1]
    assert few <= 10


def test_what_is_asked_is_checked(shop):
    """An unknown grade is 404, and an unknown or missing use is refused."""
    grade = shop.grade(limits=DIAMETER)
    shop.get("purchasing", "/next-order?grade_id=999&use=cosmetic", 404)
    shop.get("purchasing", f"/next-order?grade_id={grade['id']}&use=decorative", 422)
    shop.get("purchasing", f"/next-order?grade_id={grade['id']}", 422)


def test_what_was_paid_and_measured_is_what_came_last(shop):
    """Prices are in the currency of the newest delivery without closed ones, and voided readings count as time."""
    supplier, grade = shop.supplier(), shop.grade(limits=DIAMETER)
    judged(supplier, grade, "AA", cost=30.0, currency="USD")
    judged(supplier, grade, "AAA", first=3, **PAID)
    (last,) = judged(supplier, grade, "-", first=6, cost=99.0, currency="EUR")
    delivery_id = shop.get("receiving", f"/deliveries?lot_id={last}")["items"][0]["id"]
    shop.post("quality", f"/deliveries/{delivery_id}/close", {"reason": "logged for another shop"}, 200)
    line = line_of(asked(shop, grade), supplier)
    assert ("EUR", 3, 20.0, 1.0) == tuple(
        line[name] for name in ("currency", "deliveries", "price_per_kg", "readings_per_lot")
    )
    code = shop.get("quality", "/lots/5")["spools"][0]["code"]
    shop.void(shop.diameter(code)["id"], "typed twice")
    assert pytest.approx(6 / 5) == line_of(asked(shop, grade), supplier)["readings_per_lot"]
