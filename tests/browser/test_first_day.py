"""The first day in a browser: from an empty database to a shop with people and a supplier, by the keyboard alone."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.conftest import WIDTHS
from tests.browser.keyboard import Typist

# Bytes of a page with all that it fetches.
HEAVIEST = 150 * 1024


@pytest.mark.parametrize("width", [390, *WIDTHS[1:]])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_shop_is_begun_by_the_keyboard_alone(
    width: int, script: bool, newcomer: Callable[..., Typist], link: str
) -> None:
    """The first field of each form has the focus; Enter sends it; no page scrolls sideways."""
    somebody = newcomer(width, script=script)
    page, keys = somebody.page, somebody.page.keyboard
    page.goto(link)
    assert somebody.fits()
    keys.type("Wilhelmina")
    somebody.enter()
    assert "Token of Wilhelmina" == somebody.heading()
    # axe-core needs the page's own script.
    assert not script or [] == somebody.barriers()
    assert somebody.fits()
    assert script == page.locator("button[data-print]").is_visible()
    somebody.follow("Continue")

    somebody.follow("Shop details")
    keys.type("Saltmarsh Yard Prints")
    somebody.tab_to("time_zone")
    keys.press("Control+a")
    keys.type("Europe/Berlin")
    keys.press("Escape")
    somebody.follow("Show example")
    assert "CET" in page.locator(".example").inner_text() or "CEST" in page.locator(".example").inner_text()
    somebody.tab_to("sheet_left_mm")
    somebody.enter()
    assert "Set up" == somebody.heading()

    somebody.follow("People")
    keys.type("Perpetua")
    somebody.tab_to("receiving")
    keys.press("Space")
    somebody.enter()
    assert "Token of Perpetua" == somebody.heading()
    token = page.locator(".token-text").inner_text()
    somebody.follow("Continue")
    somebody.follow("Set up")
    somebody.follow("Supplier list")
    somebody.go("/setup/suppliers")
    keys.type("QWT")
    keys.press("Tab")
    keys.type("Quillwort Extrusion")
    somebody.enter()
    assert "Quillwort Extrusion" in page.locator("table").inner_text()

    clerk = newcomer(width, script=script)
    clerk.sign_in(token)
    clerk.go("/setup")
    assert "Ask quality." in clerk.page.locator("main").inner_text()


def test_no_page_of_the_set_up_is_heavy(newcomer: Callable[..., Typist], link: str) -> None:
    """A page of the set-up, with style sheet, scripts and time zones, stays within the limit of size."""
    somebody = newcomer(390, script=True)
    somebody.page.goto(link)
    somebody.page.keyboard.type("Wilhelmina")
    somebody.enter()
    for path in ("/", "/setup", "/setup/shop", "/setup/people", "/setup/suppliers"):
        somebody.go(path)
        fetched = "performance.getEntriesByType('resource').reduce((sum, e) => sum + e.decodedBodySize, 0)"
        whole = len(somebody.page.content().encode()) + int(somebody.page.evaluate(fetched))
        assert whole <= HEAVIEST, path
