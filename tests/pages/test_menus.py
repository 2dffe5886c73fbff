"""What is offered is what may be done: every link that a page shows leads somewhere its reader may go."""

from __future__ import annotations

import pytest

from lots.services.setup.roles import PEOPLE
from tests.pages.reading import Browser
from tests.reported import bad_lot

# The menu of each desk. What it opens is the API's to say: logging a delivery, say, is for receiving alone.
MENUS = {
    "receiving": ["Log a delivery", "Measure", "Lots"],
    "quality": ["Measure", "Lots", "Waiting lots and approvals"],
    "purchasing": ["Lots", "Suppliers"],
    "production": ["Check a spool", "What is loaded", "Lots"],
}
MENUS["admin"] = [
    "Log a delivery",
    "Measure",
    "Check a spool",
    "What is loaded",
    "Lots",
    "Waiting lots and approvals",
    "Suppliers",
]


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_the_menu_offers_what_the_desk_does(desk, role):
    """No less and no more, on the first page and above every page."""
    page = Browser(desk, role).go("/")
    every = MENUS["admin"]
    assert MENUS[role] == [word for word in page.links if word in every]


@pytest.mark.parametrize("role", [*PEOPLE, "admin"])
def test_no_link_leads_to_a_refusal(shop, role):
    """All pages that can be reached by links from the first, in a shop with a lot of each kind: no 403, no 404, no error."""
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
        if answer.mimetype == "text/html" and answer.data:
            page = somebody.go(address)
            ahead += [link for link in page.every_link if link.startswith("/")]
    assert f"/lots/{bad.lot_id}" in seen
    assert f"/lots/{bad.lot_id}/record" in seen
