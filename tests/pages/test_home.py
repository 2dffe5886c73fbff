"""Home: the open work of each desk, and its refresh by script."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from lots.services import clock
from lots.services.setup.roles import PEOPLE
from tests.api.test_queries import statements
from tests.pages.reading import SITE, Browser
from tests.pages.test_statements import fill
from tests.shop import SIMPLE_LIMITS, WHITE

# The most statements that the first page of a desk makes, signing in and the red bar included.
MOST = {"receiving": 11, "quality": 24, "purchasing": 16, "production": 8, "admin": 36}


def part(page, key):
    """The text of one part, from its heading on."""
    (html,) = re.findall(rf'<section class="part[^"]*" aria-labelledby="part-{key}">(.*?)</section>', page.html, re.S)
    return " ".join(re.sub(r"<[^>]*>", " ", html).split())


def asked_again(somebody, tag):
    """The answer to the script that has this tag."""
    return somebody.client.get("/home/now", base_url=SITE, headers={"If-None-Match": tag})


@pytest.mark.parametrize("role", PEOPLE)
def test_a_desk_without_work_is_told_so_in_one_line_for_each_kind(desk, role):
    """No count, no list, and nothing of other desks."""
    page = Browser(desk, role).go("/")
    assert ["Home"] == page.headings
    empty = {
        "receiving": ("No deliveries logged today.", "No spools to measure."),
        "quality": ("No lots in quarantine.", "No concessions waiting for approval.", "No active drift signals."),
        "purchasing": ("Nothing to act on this week.",),
        "production": ("No spools to take off.", "No spools are loaded.", "No containments to close."),
    }
    for desk_of, sentences in empty.items():
        for sentence in sentences:
            assert (sentence in page.text) is (desk_of == role), sentence


def test_the_clerk_sees_the_delivery_of_today_and_the_spools_to_measure(desk):
    """Each drawn spool links to the bench with the missing characteristic. A measured one is not listed."""
    desk.receive(desk.quillwort, desk.white, "Q-71", order_ref="PO-7")
    clerk = Browser(desk, "receiving")
    page = clerk.go("/")
    assert "Deliveries logged today (1) Log a delivery Q-71 Supplier QWT, PLA-HW-175, order PO-7" in part(
        page, "logged"
    )
    assert "/receiving/1" == page.links["Q-71"]
    (spool,) = desk.get("quality", "/lots/1/sample")["deliveries"][0]["drawn"]
    assert part(page, "measure").startswith(f"Spools to measure (1) {spool} lot Q-71")
    assert f"/bench?spool={spool}&kind=color" in page.every_link
    assert f"/bench?spool={spool}&kind=diameter" in page.every_link
    desk.diameter(spool)
    page = clerk.go("/")
    assert f"/bench?spool={spool}&kind=diameter" not in page.every_link
    assert f"/bench?spool={spool}&kind=color" in page.every_link
    desk.color(spool, WHITE)
    assert "No spools to measure." in clerk.go("/").text


def test_the_oldest_delivery_comes_first_and_five_are_named(desk):
    """The first page names the five oldest deliveries by date of receipt, and links to the rest."""
    for day in (4, 2, 6, 3, 5, 7, 1):
        desk.receive(desk.quillwort, desk.white, f"Q-{day}", spools=1, received_at=f"2026-01-0{day}T08:00:00Z")
    said = part(Browser(desk, "receiving").go("/"), "measure")
    assert ["Q-1", "Q-2", "Q-3", "Q-4", "Q-5"] == re.findall(r"lot (Q-\d)", said)
    assert "Spools to measure (7)" in said
    assert "All 7" in said


def test_a_delivery_of_another_day_is_not_of_today(desk):
    """The day is the site's."""
    with clock.clock_set_to(clock.now().replace(year=2025)):
        desk.receive(desk.quillwort, desk.white, "OLD", received_at="2025-01-01T00:00:00Z")
    assert "No deliveries logged today." in Browser(desk, "receiving").go("/").text


def test_quality_sees_what_waits_and_for_what(desk):
    """Lots, concessions, instruments that are overdue."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    lot = desk.good_lot(desk.quillwort, desk.white, "Q-72")["lot_id"]
    desk.decide(lot, "block", "Streaks.")
    asked = {"uses": ["hidden"], "max_mass_g": 500, "valid_until": "2199-01-31T00:00:00Z", "reason": "Brackets."}
    desk.post("quality", f"/lots/{lot}/concessions", asked)
    page = Browser(desk, "quality").go("/")
    assert part(page, "waiting").startswith("Lots in quarantine (1) Q-71 Supplier QWT, PLA-HW-175: ")
    assert "diameter" in part(page, "waiting")
    assert part(page, "concessions").startswith("Concessions to approve (1) Q-72 hidden, requested by ")
    assert "Blocked lots (1) Q-72" in part(page, "blocked")
    with clock.clock_set_to(clock.now() + timedelta(days=31)):
        said = part(Browser(desk, "quality").go("/"), "due")
    assert re.match(r"Instruments and references due \(1\) Instrument MIC-1 overdue since \d{4}", said)


def test_production_sees_what_must_come_off_what_is_loaded_and_what_may_be(desk):
    """Spools to take off in red, and stock by grade with its newest lots."""
    spool = desk.good_lot(desk.quillwort, desk.white, "Q-71")["spools"][0]["code"]
    desk.good_lot(desk.quillwort, desk.white, "Q-72")
    desk.load(spool)
    lead = Browser(desk, "production")
    page = lead.go("/")
    assert f"Loaded spools (1) Check a spool P1 spool {spool}, job J-1" in part(page, "loaded")
    assert re.match(
        r"Released and restricted lots in stock, by grade \(1\) PLA-HW-175 .*: 2 lots, \d+ spools, ",
        part(page, "stock"),
    )
    assert {"/lots/1", "/lots/2"} <= set(page.every_link)
    assert "part urgent" not in page.html
    desk.decide(1, "block")
    page = lead.go("/")
    assert f"Spools to take off now (1) Spool {spool} on P1, job J-1, lot Q-71" in part(page, "off")
    assert "part urgent" in page.html
    assert part(page, "containments").startswith(f"Containments to close (1) Lot Q-71 Take spool {spool} off P1")
    assert "1 lot, " in part(page, "stock")


def test_stock_lists_restricted_lots_too(desk):
    """The grade links to the lots of the status that it has."""
    limits = {**SIMPLE_LIMITS, "uses": {"cosmetic": ["color", "diameter"], "hidden": ["diameter"]}}
    code = desk.receive(desk.quillwort, desk.grade("N", limits), "Q-71", 1)["spools"][0]["code"]
    desk.diameter(code)
    desk.color(code, [90.0, -0.8, 1.5])
    lead = Browser(desk, "production")
    page = lead.go("/")
    assert "1 lot, 1 spool" in part(page, "stock")
    assert "Q-71" in lead.go(page.links["N"]).text


def test_purchasing_sees_this_week(desk):
    """The same list as on its own page, computed again after a change."""
    buyer = Browser(desk, "purchasing")
    assert "Nothing to act on this week." in buyer.go("/").text
    lot = desk.good_lot(desk.quillwort, desk.white, "Q-71")["lot_id"]
    desk.decide(lot, "block", "Streaks.")
    assert "This week (1) Supplier QWT, PLA-HW-175 Lot Q-71 is blocked, with" in part(buyer.go("/"), "week")


def test_an_administrator_sees_every_desk_folded(desk):
    """An administrator sees every desk folded, with its counts next to its name."""
    desk.receive(desk.quillwort, desk.white, "Q-71")
    page = Browser(desk, "admin").go("/")
    desks = re.findall(r'<details class="desk" id="desk-\d"><summary><h2>(\w+)</h2>', page.html)
    assert ["Receiving", "Quality", "Production", "Purchasing"] == desks
    assert "Receiving Deliveries logged today 1, Spools to measure 1" in page.text


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_nothing_new_is_304_and_something_new_the_same_as_the_page(desk, role):
    """The script gets the parts as the page has them, whenever anything was recorded."""
    somebody = Browser(desk, role)
    page = somebody.go("/")
    (tag,) = re.findall(r'id="today"[^>]* data-tag="&quot;(\w+)&quot;"', page.html)
    answer = asked_again(somebody, f'"{tag}"')
    assert (304, b"") == (answer.status_code, answer.data)
    with statements() as seen:
        asked_again(somebody, f'"{tag}"')
    assert 2 == len(seen)
    desk.receive(desk.quillwort, desk.white, "Q-71")
    answer = asked_again(somebody, f'"{tag}"')
    assert 200 == answer.status_code
    assert answer.get_data(as_text=True).strip() in somebody.go("/").html
    assert f'"{tag}"' != answer.headers["ETag"]


def test_what_becomes_due_by_time_alone_shows(desk):
    """The page is made again every five minutes, even without a change."""
    somebody = Browser(desk, "quality")
    now = clock.now()
    with clock.clock_set_to(now):
        tag = somebody.raw("/home/now").headers["ETag"]
        assert 304 == asked_again(somebody, tag).status_code
    with clock.clock_set_to(now + timedelta(minutes=6)):
        assert 200 == asked_again(somebody, tag).status_code


def test_strangers_get_nothing(desk):
    """401 without a word, for the script."""
    answer = desk.app.test_client().get("/home/now")
    assert (401, b"") == (answer.status_code, answer.data)


def test_without_script_a_link_loads_the_page_anew(desk):
    """It is next to the heading."""
    assert "/" == Browser(desk, "receiving").go("/").links["Refresh"]


@pytest.mark.parametrize("role", MOST)
def test_a_desk_makes_as_many_statements_for_many_rows_as_for_few(desk, role):
    """The number of statements of a desk does not depend on the number of lots, loads and concessions."""
    fill(desk, "A")
    somebody, counts = Browser(desk, role), []
    for once in "BC":
        somebody.raw("/")
        with statements() as seen:
            somebody.raw("/")
        counts.append(len(seen))
        fill(desk, once)
    assert counts[0] == counts[1]
    assert counts[0] <= MOST[role]
