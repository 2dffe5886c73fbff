"""Home in a browser: it refreshes by itself after a change, and keeps focus and open details."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import WIDTHS, Site
from tests.browser.person import Person

# Within five seconds, and as long again for a machine that is busy with other tests.
PATIENCE_MS = 10_000
_FOCUSED = "document.activeElement.getAttribute('href')"


def receive(site: Site, lot: str) -> dict[str, Any]:
    """A delivery logged by somebody else, over the API."""
    known = site.ask("receiving", "GET", "/directory")
    body = {
        "supplier_id": known["suppliers"][0]["id"],
        "grade_id": known["grades"][0]["id"],
        "supplier_lot": lot,
        "received_at": "2026-11-01T08:00:00Z",
        "spool_count": 1,
        "net_mass_g": 1000,
        "confirm_new_lot": True,
    }
    made: dict[str, Any] = site.ask("receiving", "POST", "/deliveries", body)
    return made


@pytest.mark.parametrize("width", WIDTHS)
def test_a_delivery_comes_up_by_itself(width: int, person: Callable[..., Person], site: Site) -> None:
    """Logged over the API by somebody else; the focus stays where it was, and there is no barrier."""
    clerk = person(width, role="receiving")
    clerk.go("/")
    page = clerk.page
    page.get_by_role("link", name="Log a delivery").focus()
    lot = f"REFRESHED-{width}-7Y"
    receive(site, lot)
    page.get_by_role("link", name=lot, exact=True).wait_for(timeout=PATIENCE_MS)
    assert "/receiving" == page.evaluate(_FOCUSED)
    assert clerk.fits()
    assert [] == clerk.barriers(contrast=True)


def test_what_is_typed_in_the_search_box_stays(person: Callable[..., Person], site: Site) -> None:
    """It is outside the refreshed part and keeps the focus."""
    clerk = person(WIDTHS[1], role="receiving")
    clerk.go("/")
    clerk.page.get_by_role("searchbox").fill("half a wo")
    receive(site, "KEPT-4X")
    clerk.page.get_by_role("link", name="KEPT-4X", exact=True).wait_for(timeout=PATIENCE_MS)
    assert ["half a wo", True] == clerk.page.evaluate(
        "[document.querySelector('[type=search]').value, document.activeElement.type === 'search']"
    )


def test_a_desk_that_was_unfolded_stays_so(person: Callable[..., Person], site: Site) -> None:
    """An administrator looks at one desk while others work."""
    admin = person(WIDTHS[1], role="admin")
    admin.go("/")
    page = admin.page
    page.locator("#desk-1 > summary").click()
    receive(site, "UNFOLDED-2K")
    page.get_by_role("link", name="UNFOLDED-2K", exact=True).wait_for(timeout=PATIENCE_MS)
    assert ["desk-1"] == page.evaluate("[...document.querySelectorAll('details.desk[open]')].map(e => e.id)")
    assert page.evaluate("document.activeElement.parentElement.id === 'desk-1'")


def test_nothing_is_made_anew_while_nothing_happens(person: Callable[..., Person]) -> None:
    """304, and the page does not change."""
    clerk = person(WIDTHS[1], role="receiving")
    with clerk.page.expect_response("**/home/now") as asked:
        clerk.go("/")
        clerk.page.evaluate("document.querySelector('#today').firstElementChild.marked = true")
    assert 304 == asked.value.status
    assert clerk.page.evaluate("document.querySelector('#today').firstElementChild.marked === true")


def test_without_script_a_link_shows_what_happened(person: Callable[..., Person], site: Site) -> None:
    """Without script, the Refresh link shows new deliveries."""
    clerk = person(WIDTHS[0], script=False, role="receiving")
    clerk.go("/")
    receive(site, "LINKED-9Q")
    assert 0 == clerk.page.get_by_role("link", name="LINKED-9Q", exact=True).count()
    clerk.follow("Refresh")
    assert 1 == clerk.page.get_by_role("link", name="LINKED-9Q", exact=True).count()


@pytest.mark.parametrize("path", ["/", "/lots", "/deliveries", "/search?q=1"])
def test_a_page_weighs_little(path: str, person: Callable[..., Person]) -> None:
    """A page with its style sheet and script has at most 150 kB."""
    admin = person(WIDTHS[1], role="admin")
    answers: list[Any] = []

    def note(answer: Any) -> None:
        answers.append(answer)

    admin.page.on("response", note)
    admin.go(path)
    admin.page.wait_for_load_state("load")
    assert 0 < sum(len(answer.body()) for answer in answers if answer.status == 200) <= 150_000
