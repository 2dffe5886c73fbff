"""The list of lots and the page of one, in a browser without script."""

from __future__ import annotations

import re

from tests.api.pictures.seen import Picture
from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS


def pictures(page):
    """The pictures that stand in a page."""
    return [Picture(svg) for svg in re.findall(r"<svg .*?</svg>", page.html, re.S)]


def listed(page):
    """Lot numbers of the list, from its top."""
    return re.findall(r'<th scope="row"><a href="/lots/\d+">([^<]+)</a>', page.html)


def test_the_newest_lot_comes_first_and_the_next_page_goes_on(desk):
    """A hundred lots on a page, each once, in the order opposite to that they were logged in; the filter goes along."""
    other = desk.grade("OTHER", limits=SIMPLE_LIMITS)
    desk.receive(desk.quillwort, other, "elsewhere", spools=1)
    for number in range(102):
        desk.receive(desk.quillwort, desk.white, f"Q-{number:03d}", spools=1)
    buyer = Browser(desk, "purchasing")
    first = buyer.go(f"/lots?grade_id={desk.white['id']}")
    second = buyer.go(first.links["More lots"])
    assert [f"Q-{number:03d}" for number in range(101, -1, -1)] == listed(first) + listed(second)
    assert "More lots" not in second.links


def test_the_grid_of_uses_tells_of_the_lots_that_are_listed(desk):
    """The same lots as the list above it, by the same filter, each with a word for each use."""
    desk.good_lot(desk.quillwort, desk.white, "Q-1")
    desk.receive(desk.quillwort, desk.white, "Q-2")
    (both,) = pictures(Browser(desk, "production").go("/lots"))
    assert ["Q-2", "Q-1"] == [word for word in both.words if word.startswith("Q-")]
    (one,) = pictures(Browser(desk, "production").go("/lots?standing=released"))
    assert ["Q-1"] == [word for word in one.words if word.startswith("Q-")]
    assert "cosmetic yes" in one.description


def test_a_place_that_no_list_gave_out_is_refused_in_words(desk):
    """What somebody cut short in the address bar says what to do."""
    page = Browser(desk, "receiving").go("/lots?cursor=x")
    assert (422, True) == (page.status, "This cursor was not given out by this list." in page.text)
