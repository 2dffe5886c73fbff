"""Purchasing at the pages: comparison of suppliers, corrective actions, drift and next order."""

from __future__ import annotations

import re

import pytest

from lots.services.setup import shop as details
from tests.journeys.supply import COLOR, DIAMETER, at_the_desks, judged, month, reading, whites
from tests.pages.reading import Browser
from tests.reported import bad_lot
from tests.shop import SIMPLE_LIMITS
from tests.store.rows import connected


@pytest.fixture
def buyer(shop):
    """The buyer at a browser, in a shop with a lot that does not conform."""
    return Browser(bad_lot(shop), "purchasing")


def test_a_corrective_action_is_asked_for_answered_and_named(shop, buyer):
    """From the page of the lot by purchasing, then by its number, lot and link where quality looks."""
    page = buyer.go(buyer.go(f"/lots/{shop.lot_id}").links["Request a corrective action"])
    page = buyer.send(page, "requested_action", requested_action="find the cause", due_at="2030-01-31")
    assert (200, True) == (page.status, "Corrective action 1" in page.text)
    (action,) = shop.get("purchasing", "/corrective-actions")["items"]
    assert ("find the cause", "2030-01-31T23:59:59Z") == (action["requested_action"], action["due_at"])
    waiting = Browser(shop, "quality").go("/quality")
    assert "Corrective action 1, lot" in waiting.text
    assert f"/lots/{shop.lot_id}" in waiting.every_link
    page = buyer.send(page, "cause", cause="a worn die", action="the die was changed", answered_by="Jory")
    assert "a worn die" in page.text
    (action,) = shop.get("purchasing", "/corrective-actions")["items"]
    assert ("answered", "the die was changed", None) == (action["state"], action["action"], action["evidence"])
    assert not any("cause" in form["fields"] for form in page.forms)


def test_a_refusal_is_in_words_and_leads_back(shop, buyer):
    """Nothing asked; a day that is over."""
    for typed in ({"requested_action": " "}, {"requested_action": "x", "due_at": "2020-01-01"}):
        page = buyer.send(buyer.go(f"/lots/{shop.lot_id}/corrective-actions"), "requested_action", **typed)
        assert 422 == page.status
        assert "requested_action" not in page.text
        assert f"/lots/{shop.lot_id}" == page.links["Cancel"]
    assert [] == shop.get("purchasing", "/corrective-actions")["items"]


def test_where_nothing_was_wrong_nothing_is_asked(desk):
    """A released lot has no link for it; nor has anybody who does not write to suppliers."""
    desk.good_lot(desk.quillwort, desk.white)
    act = "Request a corrective action"
    for role in ("purchasing", "quality", "production"):
        assert act not in Browser(desk, role).go("/lots/1").links
    desk.decide(1, "block", "streaks")
    offered = {role: act in Browser(desk, role).go("/lots/1").links for role in ("purchasing", "quality", "production")}
    assert {"purchasing": True, "quality": True, "production": False} == offered


def test_suppliers_begin_with_a_grade_that_two_sell(desk):
    """Else with the first that has lots; all grades stay to be chosen."""
    buyer = Browser(desk, "purchasing")
    assert "" == buyer.go("/suppliers").form("grade_id")["fields"]["grade_id"]
    black = desk.grade("BLACK", limits=SIMPLE_LIMITS)
    desk.good_lot(desk.quillwort, desk.white, "Q-1")
    chosen = str(desk.white["id"])
    assert chosen == buyer.go("/suppliers").form("grade_id")["fields"]["grade_id"]
    desk.receive(desk.quillwort, black, "Q-2")
    desk.receive(desk.ninebark, black, "N-1")
    page = buyer.go("/suppliers")
    assert str(black["id"]) == page.form("grade_id")["fields"]["grade_id"]
    assert "Accepted for every use" in page.text
    every = buyer.send(page, "grade_id", grade_id="")
    assert "" == every.form("grade_id")["fields"]["grade_id"]


def test_suppliers_are_compared_for_a_use_and_some_days_that_the_address_keeps(desk):
    """The first use of the limits is the default. A chosen use and days in the shop's time zone apply to the whole page."""
    limits = {**COLOR, **DIAMETER, "uses": {"cosmetic": ["color"], "fit": ["diameter"]}}
    grade = desk.grade("TWO-USES", limits=limits)
    for supplier, prefix, apart in ((desk.quillwort, "Q", 0.1), (desk.ninebark, "N", 2.0)):
        for number, lot in enumerate(whites(supplier, grade, [apart] * 3, prefix=prefix), start=1):
            spool = desk.lot(lot)["spools"][0]["code"]
            with at_the_desks():
                reading("diameter", spool, month(number), d1_mm=1.75, d2_mm=1.75)
    buyer = Browser(desk, "purchasing")
    page = buyer.go(f"/suppliers?grade_id={grade['id']}")
    assert "cosmetic" == page.form("grade_id")["fields"]["use"]
    assert "Supplier NBK: 0 of 3 lots accepted for cosmetic." in page.text
    day = f"{month(2):%Y-%m-%d}"
    narrowed = buyer.go(f"/suppliers?grade_id={grade['id']}&use=fit&from={day}&to={day}")
    assert "Supplier NBK: 1 of 1 lot accepted for fit." in narrowed.text
    details = narrowed.text.partition("Details")[2]
    assert ("Accepted for fit: 1 of 1 lot (" in details, "at least one use" in details) == (True, False)
    asked = narrowed.form("grade_id")["fields"]
    assert (day, day, "fit") == (asked["from"], asked["to"], asked["use"])
    any_use = buyer.go(f"/suppliers?grade_id={grade['id']}&use=")
    assert "Supplier NBK: 3 of 3 lots accepted for at least one use." in any_use.text


def test_the_page_tells_the_order_newcomers_and_what_the_difference_costs(desk):
    """Two suppliers differ significantly, a new one needs more lots, and rejected kilograms have a cost."""
    grade = desk.grade("ONE-USE", limits=COLOR)
    for supplier, prefix, apart in ((desk.quillwort, "Q", [0.1] * 14), (desk.ninebark, "N", [2.0] * 14)):
        whites(supplier, grade, apart, prefix=prefix)
    whites(desk.supplier("SDG"), grade, [0.1, 0.1], prefix="S")
    page = Browser(desk, "purchasing").go(f"/suppliers?grade_id={grade['id']}")
    assert "Supplier QWT has significantly more lots accepted the first time for general use than" in page.text
    assert "too few for a significant difference. At least" in page.text
    assert "Cost of the difference" in page.text


def test_drift_is_told_from_all_lots_when_some_days_are_asked_for(desk):
    """A ramp over sixteen lots stays a ramp on a page of the last six, as the drift page has it."""
    grade = desk.grade("RAMP", limits=COLOR)
    whites(desk.quillwort, grade, [0.05 * number for number in range(16)])
    buyer = Browser(desk, "purchasing")
    path = f"/suppliers?grade_id={grade['id']}"
    whole = buyer.go(path).text
    told = re.search(r"Yellow-blue difference db\*: yellower since about lot [^.]*\.[^.]*\.", whole)
    assert told
    some = buyer.go(f"{path}&from={month(11):%Y-%m-%d}").text
    assert "6 of 6 lots accepted for general use, yellower by 0.05 per lot" in some
    assert told.group() in some
    assert "Drift uses all lots" in some


def test_a_use_that_the_limits_do_not_cover_is_said_once(desk):
    """For a use that the limits do not cover, one sentence with the remedy replaces the lines of suppliers."""
    grade = desk.grade("COSMETIC", limits={**COLOR, "uses": {"cosmetic": ["color"]}})
    whites(desk.quillwort, grade, [0.1, 0.1])
    whites(desk.ninebark, grade, [0.1, 0.1], prefix="N")
    page = Browser(desk, "purchasing").go(f"/suppliers?grade_id={grade['id']}&use=flexing")
    said = f"The limits of {grade['code']} do not cover flexing. Ask quality to add this use."
    assert said in page.text
    order = page.text.partition("Accepted lots")[2].partition("Closeness")[0]
    assert said == order.strip()


def test_an_empty_shop_is_told_what_to_do_first(desk):
    """Without days there is no time to speak of; with days there is."""
    buyer = Browser(desk, "purchasing")
    assert "No lots yet. Log a delivery first." in buyer.go("/suppliers").text
    assert "No lot was received in this period." in buyer.go("/suppliers?from=2026-01-01").text


def test_a_price_without_the_cost_of_a_delivery_is_marked(desk):
    """Its cell says how many deliveries are missing, and the cost with measuring is not told."""
    grade = desk.grade("PRICED", limits=DIAMETER)
    judged(desk.quillwort, grade, "AA", cost=20.0, currency="EUR")
    judged(desk.quillwort, grade, "R", first=3)
    with connected():
        said = {"bench_cost_per_h": 30.0, "bench_currency": "EUR"}
        details.change(details.view()["version"], said, "Anselm")
    page = Browser(desk, "purchasing").go(f"/suppliers?grade_id={grade['id']}&use=")
    assert "20.00 EUR, without 1 delivery whose cost is not recorded" in page.text
    assert "Cost per accepted kg, measuring included" in page.text
    assert "not known. 1 rejected delivery has no recorded cost." in page.text


def test_a_wrong_day_or_use_is_refused_in_words(desk):
    """The form stays, so that it can be corrected."""
    for query in ("use=flying", "from=2026-02-31", "grade_id=99"):
        page = Browser(desk, "purchasing").go(f"/suppliers?{query}")
        assert page.status in (404, 422)
        assert "grade_id" in page.form("grade_id")["fields"]


def test_the_spread_of_suppliers_is_named_in_words(desk):
    """A measure by its label, not by its code."""
    steady = [0.02, -0.02, 0.03, -0.03]
    whites(desk.quillwort, desk.white, steady)
    whites(desk.ninebark, desk.white, steady, prefix="N")
    page = Browser(desk, "purchasing").go(f"/suppliers?grade_id={desk.white['id']}")
    assert "Spread and capability" in page.text
    assert "Lightness difference dL*" in page.text
    assert "color.component" not in page.text


def test_the_drift_page_shows_every_signal_and_how_often_one_is_false(desk):
    """Listed signals, improvements, and signals of run rules on request, with the error rates below."""
    steady = [0.02, -0.02, 0.03, -0.03, 0.01, -0.01, 0.02, -0.02]
    whites(desk.quillwort, desk.white, [*(0.5 + b for b in steady), *steady[:4]])
    whites(desk.ninebark, desk.white, steady * 2, prefix="N")
    buyer = Browser(desk, "purchasing")
    about = f"drift?grade_id={desk.white['id']}"
    better = buyer.go(f"/suppliers/{desk.quillwort['id']}/{about}").text
    assert "bluer from about lot Q-09 on" in better
    assert "At most 5 % of steady series have an active signal at their 20th lot." in better
    path = f"/suppliers/{desk.ninebark['id']}/{about}"
    page = buyer.go(path)
    assert "No active signal." in page.text
    ruled = buyer.go(f"{path}&run_rules=true").text
    assert "an odd pattern up to lot N-16" in ruled
    assert "At most 30 % have had one" in ruled


def test_the_next_order_is_told_drawn_and_kept_in_its_address(desk):
    """The address has grade and use. The page has the answer, a line per supplier, the basis, and the picture in two widths."""
    judged(desk.quillwort, desk.white, "A" * 9, cost=20.0, currency="EUR")
    judged(desk.ninebark, desk.white, "A" * 9, prefix="N", cost=40.0, currency="EUR")
    buyer = Browser(desk, "purchasing")
    page = buyer.send(buyer.go("/purchasing/next-order"), "use", grade_id=str(desk.white["id"]), use="hidden")
    assert "No cost is known for the next order" in page.text
    assert "No lot has a complete inspection for hidden." in page.text
    assert f"grade_id={desk.white['id']}&use=hidden" in buyer.at
    black = desk.grade("BLACK", limits=DIAMETER)
    judged(desk.quillwort, black, "A" * 9, cost=20.0, currency="EUR")
    judged(desk.ninebark, black, "A" * 9, prefix="N", cost=40.0, currency="EUR")
    asked = f"grade_id={black['id']}&use=hidden"
    page = buyer.go(f"/purchasing/next-order?{asked}")
    assert "costs significantly less than Supplier NBK" in page.text
    assert "This holds for a single comparison." in page.text
    assert "also its price unless it is returned for credit" in page.text
    for size in ("", "&size=narrow"):
        picture = buyer.raw(f"/purchasing/next-order.svg?{asked}{size}")
        assert (200, "image/svg+xml") == (picture.status_code, picture.mimetype)
    assert "State the cost of an hour at the bench" in page.text


def test_the_next_order_of_nothing_known_leads_back(desk):
    """The page reports an unknown grade, and its picture answers 404."""
    buyer = Browser(desk, "quality")
    page = buyer.go("/purchasing/next-order?grade_id=999&use=cosmetic")
    assert (404, True) == (page.status, "Grade 999 does not exist" in page.text)
    assert 404 == buyer.raw("/purchasing/next-order.svg?grade_id=999&use=cosmetic").status_code
    assert 422 == buyer.go("/purchasing/next-order?grade_id=1&use=decorative").status


def test_the_comparison_is_offered_as_a_file(desk):
    """The CSV file has the choices of the page and a row for each supplier. An unknown grade answers 404."""
    whites(desk.quillwort, desk.white, [0.0, 0.05])
    whites(desk.ninebark, desk.white, [0.1], prefix="N")
    buyer = Browser(desk, "purchasing")
    link = buyer.go(f"/suppliers?grade_id={desk.white['id']}").links["Download CSV"]
    file = buyer.raw(link)
    assert ("text/csv", 3) == (file.mimetype, len(file.text.splitlines()))
    assert "attachment; filename=suppliers.csv" == file.headers["Content-Disposition"]
    assert 404 == buyer.raw("/suppliers.csv?grade_id=999").status_code
