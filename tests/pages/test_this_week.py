"""The page of the week: what must be acted on, where each act is done, and filters that the address keeps."""

from __future__ import annotations

from datetime import timedelta

import pytest

from lots.services import clock
from tests.journeys import supply
from tests.journeys.supply import whites
from tests.pages.reading import Browser
from tests.pages.test_home import part


@pytest.fixture
def busy(desk):
    """A shop with blocked lots of two suppliers."""
    desk.lots = {}
    for supplier, number in ((desk.quillwort, "Q-71"), (desk.ninebark, "N-71"), (desk.ninebark, "N-72")):
        desk.lots[number] = desk.good_lot(supplier, desk.white, number)["lot_id"]
        desk.decide(desk.lots[number], "block", "Streaks.")
    return desk


def test_an_empty_week_is_told_in_a_sentence(desk):
    """Both filters are there all the same, and the order is explained."""
    page = Browser(desk, "purchasing").go("/purchasing/week")
    assert (200, "This week") == (page.status, page.headings[0])
    assert "the most kilograms at risk come first" in page.text
    assert "Nothing to act on this week." in page.text
    assert {"supplier_id": "", "grade_id": ""} == page.form("supplier_id")["fields"]


def test_each_matter_leads_to_its_act(busy):
    """A rejected lot links to its page, a corrective action and a letter, each named by its lot for a screen reader."""
    page = Browser(busy, "purchasing").go("/purchasing/week")
    number = busy.lots["N-72"]
    assert "3 matters need attention, the most urgent first." in page.text
    assert 3 == page.html.count("Blocked, in the shop")
    assert {f"/lots/{number}", f"/lots/{number}/corrective-actions", f"/lots/{number}/letter"} <= set(page.every_link)
    assert '<span class="unseen"> about lot N-72</span>' in page.html
    assert f'<a href="/lots/{number}">Lot N-72</a>' in page.html
    assert "{" not in page.text
    assert "refused_waiting" not in page.text


def test_a_drift_leads_to_its_drift_page(desk):
    """The nearest limit comes first, with a link to the characteristic."""
    whites(desk.quillwort, desk.grade("PLA-DR-175", supply.COLOR), [0.08 * n for n in range(12)], first=48)
    page = Browser(desk, "purchasing").go("/purchasing/week")
    assert page.text.index("Limit near") < page.text.index("yellower since about lot")
    assert f"/suppliers/{desk.quillwort['id']}/drift?grade_id=2&characteristic=color" in page.every_link
    assert "% of the tolerance" in page.text
    assert "color.component" not in page.text


def test_filters_stay_in_the_address(busy):
    """One supplier's matters and their share of all; none for a grade without matters."""
    buyer = Browser(busy, "purchasing")
    page = buyer.go("/purchasing/week")
    mine = buyer.send(page, "supplier_id", supplier_id=str(busy.ninebark["id"]))
    assert str(busy.ninebark["id"]) == mine.form("supplier_id")["fields"]["supplier_id"]
    assert "2 of 3 match these filters." in mine.text
    assert {"Lot N-71 is blocked" in mine.text, "Lot N-72 is blocked" in mine.text} == {True}
    assert "Lot Q-71" not in mine.text
    assert "1 of 3 matches these filters." in buyer.go(f"/purchasing/week?supplier_id={busy.quillwort['id']}").text
    assert "0 of 3 match these filters." in buyer.go("/purchasing/week?grade_id=99").text


@pytest.mark.parametrize("asked", ["supplier_id=x", "grade_id=-1", "supplier_id=1&grade_id=1e9"])
def test_a_filter_that_is_no_number_is_refused_in_words(busy, asked):
    """The fault names its field; nothing is listed."""
    page = Browser(busy, "purchasing").go(f"/purchasing/week?{asked}")
    assert 422 == page.status
    assert "Not possible" in page.text
    assert "Blocked, in the shop" not in page.text
    assert "supplier_id" not in page.text.replace("supplier_id=", "")


def test_home_shows_the_first_five_and_leads_to_all(busy):
    """The desk of purchasing has the five most urgent, and the address of the page."""
    for number in range(3):
        lot = busy.good_lot(busy.quillwort, busy.white, f"Q-8{number}")["lot_id"]
        busy.decide(lot, "block", "Streaks.")
    buyer = Browser(busy, "purchasing")
    page = buyer.go("/")
    said = part(page, "week")
    assert said.startswith("This week (6)")
    assert 5 == said.count("is blocked, with")
    assert "All 6" in said
    assert "/purchasing/week" in page.every_link


def test_a_late_answer_leads_to_its_corrective_action(desk):
    """From home and from the page of the week."""
    lot = desk.good_lot(desk.quillwort, desk.white, "Q-71")["lot_id"]
    desk.decide(lot, "block", "Streaks.")
    asked = {"requested_action": "Find the cause.", "due_at": supply.asked(clock.now() + timedelta(hours=1))}
    made = desk.post("purchasing", f"/lots/{lot}/corrective-actions", asked)
    with clock.clock_set_to(clock.now() + timedelta(days=3)):
        buyer = Browser(desk, "purchasing")
        for path in ("/", "/purchasing/week"):
            page = buyer.go(path)
            assert f"/corrective-actions/{made['id']}" in page.every_link
            assert "has no answer, which was due" in page.text


@pytest.mark.parametrize("role", ["receiving", "quality", "production"])
def test_the_week_is_purchasing_s(desk, role):
    """Other desks get 403."""
    assert 403 == Browser(desk, role).go("/purchasing/week").status
