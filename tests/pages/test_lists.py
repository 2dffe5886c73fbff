"""Lists of lots and deliveries: filters, order, pages there and back, files."""

from __future__ import annotations

import csv
import io
import re

import pytest

from tests.pages.reading import Browser
from tests.shop import SIMPLE_LIMITS


def listed(page):
    """Lot numbers of the list, from its top."""
    return re.findall(r'<th scope="row"><a href="[^"]*">([^<]+)</a>', page.html)


def rows(somebody, path):
    """The rows of a file."""
    answer = somebody.raw(path)
    assert (200, "text/csv") == (answer.status_code, answer.mimetype)
    return list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))


@pytest.fixture
def many(desk):
    """Lots of two suppliers, received in another order than they were logged."""
    for number in range(52):
        supplier = desk.quillwort if number % 2 else desk.ninebark
        day = f"2026-{1 + number % 9:02}-{1 + number % 27:02}T08:00:00Z"
        desk.receive(
            supplier, desk.white, f"Q-{number * 7 % 52:03}", spools=1, received_at=day, order_ref=f"PO-{number}"
        )
    return desk


def every_page(somebody, path, word):
    """The entries of all pages, forwards and backwards."""
    page, on = somebody.go(path), []
    while True:
        on.append(listed(page))
        if f"More {word}" not in page.links:
            break
        page = somebody.go(page.links[f"More {word}"])
    back = [listed(page)]
    while f"Previous {word}" in page.links:
        page = somebody.go(page.links[f"Previous {word}"])
        back.append(listed(page))
    assert on == back[::-1]
    return [name for names in on for name in names]


@pytest.mark.parametrize(("sort", "key"), [("number", "supplier_lot"), ("received", "received_at"), ("logged", "id")])
def test_lots_are_sorted_and_leafed_through_there_and_back(many, sort, key):
    """Each lot once, in the order that was asked for, and the same pages on the way back."""
    every = [lot for at in ("", "&order=newest") for lot in many.get("quality", f"/lots?limit=26{at}")["items"]]
    wanted = sorted(every, key=lambda lot: (lot[key], lot["id"]), reverse=sort != "number")
    assert [lot["supplier_lot"] for lot in wanted] == every_page(
        Browser(many, "purchasing"), f"/lots?sort={sort}", "lots"
    )


def test_deliveries_are_sorted_and_leafed_through_there_and_back(many):
    """Deliveries sorted by date of receipt appear once each on their pages."""
    found = every_page(Browser(many, "purchasing"), "/deliveries?sort=received", "deliveries")
    assert (52, 52) == (len(found), len(set(found)))


def test_filters_go_along_to_the_next_page_and_into_the_file(many):
    """Only one supplier's lots of some days."""
    buyer = Browser(many, "purchasing")
    asked = f"supplier_id={many.quillwort['id']}&received_from=2026-03-01&received_to=2026-05-31"
    page = buyer.go(f"/lots?{asked}")
    names = listed(page)
    assert 5 < len(names) < 26
    assert "Filtered by supplier QWT; received from 2026-03-01; received to 2026-05-31. Show all" in page.text
    file = rows(buyer, page.links["Download CSV"])
    assert names == [row["supplier_lot"] for row in file]
    assert {"QWT"} == {row["supplier.code"] for row in file}
    assert sorted(names) == sorted(listed(buyer.go(f"/deliveries?{asked}")))


def test_a_file_has_the_columns_of_the_api(many):
    """The same as its CSV, so that one reader does for both."""
    for role, path in (("receiving", "/deliveries"), ("quality", "/lots")):
        sent = {"Authorization": f"Bearer {many.tokens[role]}", "Accept": "text/csv"}
        answer = many.app.test_client().get(f"/v1{path}?limit=3&order=newest", headers=sent)
        said = list(csv.DictReader(io.StringIO(answer.get_data(as_text=True))))
        assert 3 == len(said)
        assert said == rows(Browser(many, role), f"{path}.csv")[:3]


def test_lots_that_may_be_loaded_for_a_use(desk):
    """Those in stock that a clearance would let through; a blocked one and one in quarantine are not among them."""
    desk.good_lot(desk.quillwort, desk.white, "GOOD")
    blocked = desk.good_lot(desk.quillwort, desk.white, "BAD")["lot_id"]
    desk.decide(blocked, "block", "streaks")
    desk.receive(desk.quillwort, desk.white, "NEW")
    lead = Browser(desk, "production")
    page = lead.go("/lots?use=cosmetic")
    assert (["GOOD"], True) == (listed(page), "Filtered by use cosmetic." in page.text)
    assert [] == listed(lead.go("/lots?use=load_bearing"))
    assert "No lots match these filters." in lead.go("/lots?use=load_bearing").text


@pytest.mark.parametrize(
    "asked", ["sort=standing", "use=x", "cursor=x", "received_from=x", "supplier_id=0", "cursor=WyJvbiIsIngiLDEsMV0"]
)
@pytest.mark.parametrize("path", ["/lots", "/deliveries", "/lots.csv", "/deliveries.csv", "/lots/uses.svg"])
def test_what_no_list_offers_is_refused_in_words(desk, path, asked):
    """An unknown value in the address of a list is refused in words. An unknown filter is ignored."""
    desk.receive(desk.quillwort, desk.white)
    answer = Browser(desk, "admin").raw(f"{path}?{asked}")
    ignored = ("cursor" in asked and ".csv" in path) or (asked == "use=x" and "deliveries" in path)
    assert (200 if ignored else 422) == answer.status_code
    assert ignored or b"<h1" in answer.data


def test_a_cursor_of_another_order_is_refused(many):
    """What sorts by number says nothing of days."""
    buyer = Browser(many, "purchasing")
    more = buyer.go("/lots?sort=number").links["More lots"]
    assert 422 == buyer.go(more.replace("sort=number", "sort=received")).status


def test_other_desks_have_no_list_of_deliveries(desk):
    """Production asks receiving."""
    lead = Browser(desk, "production")
    assert [403, 403] == [lead.raw(path).status_code for path in ("/deliveries", "/deliveries.csv")]
    assert "/deliveries" not in lead.go("/lots").every_link
    for role in ("receiving", "quality", "purchasing"):
        assert "/deliveries" in Browser(desk, role).go("/lots").every_link


def test_an_empty_list_says_so(desk):
    """An empty list says that it has no rows yet, or that no rows match its filters."""
    buyer = Browser(desk, "purchasing")
    for what in ("lots", "deliveries"):
        assert f"No {what} yet." in buyer.go(f"/{what}").text
        assert f"No {what} match these filters." in buyer.go(f"/{what}?supplier_id=1").text


def test_purchasing_comes_from_a_delivery_to_its_lot(desk):
    """The page of a delivery is for those who handle it."""
    desk.receive(desk.quillwort, desk.white, "Q-71", due_at="2020-01-01T00:00:00Z")
    assert "/lots/1" == Browser(desk, "purchasing").go("/deliveries").links["Q-71"]
    page = Browser(desk, "receiving").go("/deliveries")
    assert ("/receiving/1", True) == (page.links["Q-71"], "late" in page.text)


def test_the_picture_of_uses_is_behind_a_link(desk):
    """The link to the picture of lots and uses keeps the filters of the list."""
    other = desk.grade("OTHER", limits=SIMPLE_LIMITS)
    desk.good_lot(desk.quillwort, other, "Q-1")
    desk.good_lot(desk.quillwort, desk.white, "Q-2")
    lead = Browser(desk, "production")
    page = lead.go(lead.go(f"/lots?grade_id={other['id']}").links["Picture of lots and uses"])
    (address,) = re.findall(r'<img src="([^"]*)"', page.html)
    picture = lead.raw(address).get_data(as_text=True)
    assert ("Q-1" in picture, "Q-2" in picture) == (True, False)
