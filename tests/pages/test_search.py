"""The search box of every page: hits, the redirect of an exact name, and the rights of a desk."""

from __future__ import annotations

import pytest

from lots.services.setup.roles import PEOPLE
from tests.api.test_queries import statements
from tests.pages.reading import Browser


@pytest.fixture
def stocked(desk):
    """Lots, an order and a job with names that share parts."""
    desk.good_lot(desk.quillwort, desk.white, "WB-Q12", order_ref="PO-507")
    desk.receive(desk.ninebark, desk.white, "NB-Q12-7")
    desk.load("L1-S001", job="J-1040", machine="Prusa 3")
    return desk


def at(somebody, text):
    """Where a search ends, without the query."""
    page = somebody.go(f"/search?q={text}")
    return somebody.at.partition("?")[0], page


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_every_page_has_the_box(desk, role):
    """Sent without script, it asks the page of the search."""
    page = Browser(desk, role).go("/lots")
    assert "/search" == page.form("q")["action"]


@pytest.mark.parametrize(
    "typed", ["L1-S001", "l1-s001", " L1 - S001", "https%3A%2F%2Flots.example.org%2Fspools%2FL1-S001"]
)
def test_a_spool_code_leads_to_its_spool(stocked, typed):
    """The search leads from a spool code, in any spelling or as the address on its label, to the spool."""
    assert "/spools/L1-S001" == at(Browser(stocked, "production"), typed)[0]


@pytest.mark.parametrize("role", PEOPLE)
def test_a_desk_without_the_page_of_a_spool_comes_to_its_lot(stocked, role):
    """People who may open the page of a spool are redirected there."""
    somebody = Browser(stocked, role)
    there = somebody.raw("/spools/L1-S001").status_code == 200
    assert ("/spools/L1-S001" if there else "/lots/1") == at(somebody, "L1-S001")[0]


@pytest.mark.parametrize(
    ("typed", "role", "leads"),
    [
        ("wb-q12", "purchasing", "/lots/1"),
        ("PO-507", "receiving", "/receiving/1"),
        ("po-507", "production", "/lots/1"),
        ("prusa 3", "production", "/loaded"),
        ("QWT", "quality", "/lots"),
    ],
)
def test_one_exact_name_leads_straight_there(stocked, typed, role, leads):
    """A lot, an order, a machine, a supplier; where the desk may go."""
    assert leads == at(Browser(stocked, role), typed)[0]


def test_a_part_of_a_name_lists_what_holds_it(stocked):
    """Without regard to case, grouped by kind, each with its lot or supplier."""
    where, page = at(Browser(stocked, "quality"), "q12")
    assert "/search" == where
    assert "Lots (2)" in page.text
    assert ("/lots/1", "/lots/2") == (page.links["WB-Q12"], page.links["NB-Q12-7"])
    _, page = at(Browser(stocked, "quality"), "104")
    assert "Jobs (1) J-1040" in page.text


@pytest.mark.parametrize("typed", ["supp", "PRUSA", "white"])
def test_small_tables_are_searched_by_any_part(stocked, typed):
    """Names of suppliers and machines, colours of grades."""
    found = stocked.get("quality", f"/search?q={typed}")["groups"]
    assert {"supp": "supplier", "PRUSA": "machine", "white": "grade"}[typed] in [group["kind"] for group in found]


def test_what_a_desk_may_not_open_is_named_and_not_linked(stocked):
    """The machine is production's."""
    _, page = at(Browser(stocked, "purchasing"), "prusa")
    assert "Prusa 3" in page.text
    assert "Prusa 3" not in page.links
    _, page = at(Browser(stocked, "production"), "prusa")
    assert "/loaded" == page.links["Prusa 3"]


def test_nothing_found_says_so_and_proposes_codes_that_may_be_misread(stocked):
    """The letter O for a zero leads to the spool that may be meant."""
    _, page = at(Browser(stocked, "receiving"), "L1SOO1")
    assert "Nothing found for L1SOO1" in page.text
    assert "/search?q=L1-S001" == page.links["L1-S001"]


@pytest.mark.parametrize("typed", ["", "%20", "a%00b", "x" * 201, "%ED%A0%80", "-", "%E4%B8%AD"])
def test_whatever_is_typed_is_answered_in_words(stocked, typed):
    """An invalid search is refused. A search without hits says so."""
    page = Browser(stocked, "quality").go(f"/search?q={typed}")
    assert page.status in (200, 400, 422)
    assert page.headings


def test_more_than_twenty_ask_to_type_more(desk):
    """Twenty are named, the exact one always among them."""
    for number in range(24):
        desk.receive(desk.quillwort, desk.white, f"Q-71-{number:02}", spools=1)
    desk.receive(desk.ninebark, desk.white, "Q-71", spools=1)
    desk.receive(desk.quillwort, desk.white, "Q-71", spools=1)
    _, page = at(Browser(desk, "quality"), "Q-71")
    assert "Lots (20 or more)" in page.text
    assert "Type more of the name." in page.text
    names = [name for name in page.links if name.startswith("Q-71")]
    assert "Q-71" == names[0]
    answer = desk.get("integration", "/search?q=Q-71")
    (lots,) = answer["groups"]
    assert ([True, True], 20, True) == ([hit["exact"] for hit in lots["items"][:2]], len(lots["items"]), lots["more"])


def test_a_corrected_order_is_found_by_its_new_name_alone(desk):
    """The old one belongs to nobody."""
    desk.receive(desk.quillwort, desk.white, "Q-71", order_ref="PO-1")
    body = {"order_ref": "PO-2222"}
    assert 200 == desk.call("receiving", "PATCH", "/deliveries/1", body, If_Match='"delivery-1-v1"').status_code
    assert [] == desk.get("quality", "/search?q=PO-1")["groups"]
    (orders,) = desk.get("quality", "/search?q=2222")["groups"]
    assert ("order", "PO-2222", 1) == (orders["kind"], orders["items"][0]["name"], orders["items"][0]["lot_id"])


def test_a_search_makes_as_many_statements_whatever_it_finds(stocked):
    """One for the spool, two for each kind with search keys, one for each small table."""
    quality = Browser(stocked, "quality")
    counts = []
    for _ in range(2):
        with statements() as seen:
            quality.raw("/search?q=q1")
        counts.append(len(seen))
        for number in range(30):
            stocked.receive(stocked.quillwort, stocked.white, f"Q1-{number}", spools=1, order_ref=f"Q1-{number}")
    assert counts[0] == counts[1]
    assert counts[0] <= 15


def test_a_search_for_nothing_says_what_to_type(desk):
    """The address of the search box alone is a page like any other."""
    page = Browser(desk, "receiving").go("/search")
    assert 200 == page.status
    assert "Type the whole code of a spool" in page.text
    assert "Nothing found" not in page.text
