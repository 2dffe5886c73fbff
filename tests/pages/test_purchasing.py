"""Purchasing at the pages: suppliers of one grade first, and what a supplier is asked to put right."""

from __future__ import annotations

import pytest

from tests.journeys.supply import DIAMETER, judged, whites
from tests.pages.reading import Browser
from tests.reported import bad_lot
from tests.shop import SIMPLE_LIMITS


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
    assert "Restricted counts as accepted." in page.text
    every = buyer.send(page, "grade_id", grade_id="")
    assert "" == every.form("grade_id")["fields"]["grade_id"]


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
    """What is listed, what is an improvement, and what run rules add once they are asked for; the rates stand beneath."""
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
    assert "At most 30 % had one" in ruled


def test_the_next_order_is_told_drawn_and_kept_in_its_address(desk):
    """Grade and use stand in the address; the answer in a sentence, then a line per supplier, what it rests on, and the picture in two widths."""
    judged(desk.quillwort, desk.white, "A" * 9, cost=20.0, currency="EUR")
    judged(desk.ninebark, desk.white, "A" * 9, prefix="N", cost=40.0, currency="EUR")
    buyer = Browser(desk, "purchasing")
    page = buyer.send(buyer.go("/purchasing/next-order"), "use", grade_id=str(desk.white["id"]), use="hidden")
    assert "Nothing can be said of the next order" in page.text
    assert "No lot was inspected to an end for hidden." in page.text
    assert f"grade_id={desk.white['id']}&use=hidden" in buyer.at
    black = desk.grade("BLACK", limits=DIAMETER)
    judged(desk.quillwort, black, "A" * 9, cost=20.0, currency="EUR")
    judged(desk.ninebark, black, "A" * 9, prefix="N", cost=40.0, currency="EUR")
    asked = f"grade_id={black['id']}&use=hidden"
    page = buyer.go(f"/purchasing/next-order?{asked}")
    assert "costs significantly less than Supplier NBK" in page.text
    assert "This holds at one look." in page.text
    assert "also its price unless it was returned for credit" in page.text
    for size in ("", "&size=narrow"):
        picture = buyer.raw(f"/purchasing/next-order.svg?{asked}{size}")
        assert (200, "image/svg+xml") == (picture.status_code, picture.mimetype)
    assert "State the cost of an hour at the bench" in page.text


def test_the_next_order_of_nothing_known_leads_back(desk):
    """An unknown grade is said on the page; its picture is not there."""
    buyer = Browser(desk, "quality")
    page = buyer.go("/purchasing/next-order?grade_id=999&use=cosmetic")
    assert (404, True) == (page.status, "Grade 999 does not exist" in page.text)
    assert 404 == buyer.raw("/purchasing/next-order.svg?grade_id=999&use=cosmetic").status_code
    assert 422 == buyer.go("/purchasing/next-order?grade_id=1&use=decorative").status
