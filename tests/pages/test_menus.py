"""Every link that a page shows leads to a page that its reader may open."""

from __future__ import annotations

import re

import pytest

from lots.services.setup.roles import PEOPLE
from tests.pages.reading import Browser
from tests.reported import bad_lot

# The menu of each desk. What it opens is the API's to say: logging a delivery, say, is for receiving alone.
MENUS = {
    "receiving": ["Home", "Receive", "Measure", "Lots"],
    "quality": ["Home", "Measure", "Lots", "Quality"],
    "purchasing": ["Home", "Lots", "This week", "Suppliers"],
    "production": ["Home", "Check", "Loaded", "Lots"],
    "admin": ["Home", "Receive", "Measure", "Check", "Loaded", "Lots", "Quality", "This week", "Suppliers"],
}


def menus(page):
    """The entries of the menu, for a wide page and for a phone."""
    every = re.findall(r"<ul>(.*?)</ul>", page.html.partition('<nav aria-label="Main menu">')[2].partition("</nav>")[0])
    return [re.findall(r">([^<]+)</a>", one) for one in every]


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
@pytest.mark.parametrize("path", ["/", "/lots"])
def test_the_menu_offers_what_the_desk_does(desk, role, path):
    """No less and no more, on the first page and above every page, the same on a phone."""
    page = Browser(desk, role).go(path)
    offered = [[word for word in menu if word != "Set up"] for menu in menus(page)]
    assert [MENUS[role], MENUS[role]] == offered


def test_the_menu_says_where_one_is(desk):
    """On the page itself, and on those below it."""
    desk.receive(desk.quillwort, desk.white)
    clerk = Browser(desk, "receiving")
    for path, said in (("/lots", "page"), ("/lots/1", "true")):
        assert 2 == clerk.go(path).html.count(f'<a href="/lots" aria-current="{said}">Lots</a>')
    assert 2 == clerk.go("/lots").html.count("aria-current")


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_no_link_leads_to_a_refusal(shop, role):
    """All pages that links from Home reach, in a shop with a lot of each kind, without 403, 404 or error."""
    bad = bad_lot(shop)
    shop.receive(bad.supplier_row, bad.grade_row, "Q-9", spools=1)
    somebody, seen = Browser(bad, role), set()
    spool = bad.codes[0]
    # Where labels lead, which no page links to at every desk.
    ahead = ["/", *([f"/spools/{spool}"] if role != "purchasing" else [])]
    while ahead:
        address = ahead.pop()
        if address in seen:
            continue
        seen.add(address)
        answer = somebody.raw(address)
        assert answer.status_code in (200, 204), address
        # The description of the API is a page of another kind: it needs its script.
        if answer.mimetype == "text/html" and answer.data and address != "/docs":
            page = somebody.go(address)
            ahead += [link for link in page.every_link if link.startswith("/")]
    assert f"/lots/{bad.lot_id}" in seen
    assert f"/lots/{bad.lot_id}/record" in seen
