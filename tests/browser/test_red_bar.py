"""The red bar in a browser: it appears on an open page, is announced once, and goes when the spool is unloaded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.browser.conftest import WIDTHS, Site
from tests.browser.person import Person

# Within five seconds of the block, and as long again for a machine that is busy with other tests.
PATIENCE_MS = 10_000


@pytest.fixture
def loaded(site: Site) -> Iterator[dict[str, Any]]:
    """A loaded spool of a released lot. Afterwards its decisions are lifted and its containments closed."""
    spools = [
        spool["code"]
        for lot in site.ask("production", "GET", "/lots?standing=released&order=newest&limit=20")["items"]
        for spool in site.ask("production", "GET", f"/lots/{lot['id']}")["spools"]
        if spool["machine"] is None and spool["remaining_mass_g"] > 0
    ]
    body = {"machine": "P-BAR", "job": "J-BAR", "use": "hidden", "confirm_new_machine": True, "confirm_new_job": True}
    for code in spools:
        if site.ask("production", "GET", f"/spools/{code}/clearance?use=hidden")["clear"]:
            load = site.ask("production", "POST", "/loads", {**body, "spool_code": code})
            break
    else:
        raise AssertionError("no spool of the demo may be loaded")
    yield load
    if site.ask("production", "GET", f"/loads?spool_code={load['spool_code']}&open=true")["items"]:
        take_off(site, load)
    lot = site.ask("quality", "GET", f"/lots/{load['lot_id']}")
    if lot["by_hand"]:
        decide(site, load, "lift")
    for place in site.ask("production", "GET", f"/containments?open=true&lot_id={load['lot_id']}")["items"]:
        site.ask("production", "POST", f"/containments/{place['id']}/close", {"note": "the lot is good"})


def decide(site: Site, load: dict[str, Any], action: str) -> None:
    """A decision about the lot of a load, over the API."""
    body = {"action": action, "reason": "specks on parts"}
    site.ask("quality", "POST", f"/lots/{load['lot_id']}/decisions", body)


def take_off(site: Site, load: dict[str, Any]) -> None:
    """Unloads it over the API."""
    site.ask("production", "POST", f"/loads/{load['id']}/unload", {"remaining_mass_g": 100})


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", ["/loaded", "/check"])
def test_it_comes_while_the_page_is_open_and_goes_when_the_spool_is_off(
    path: str, width: int, person: Callable[..., Person], site: Site, loaded: dict[str, Any]
) -> None:
    """Blocked over the API by somebody else; no barrier, nothing to scroll sideways, and the page that was begun stays as it is."""
    lead = person(width, role="production")
    lead.go(path)
    page = lead.page
    says = f"Take spool {loaded['spool_code']} off P-BAR now."
    bar = page.locator(".red-bar").filter(has_text=says)
    assert 0 == bar.count()
    if path == "/check":
        page.locator("#job").fill("J-TYPED")
    decide(site, loaded, "block")
    bar.wait_for(timeout=PATIENCE_MS)
    assert "alert" == bar.get_attribute("role")
    assert lead.fits()
    assert [] == lead.barriers(contrast=True)
    if path == "/check":
        assert "J-TYPED" == page.locator("#job").input_value()
    page.mouse.wheel(0, 2000)
    assert bar.bounding_box()["y"] == pytest.approx(0, abs=1)
    take_off(site, loaded)
    bar.wait_for(state="detached", timeout=PATIENCE_MS)


def test_without_script_it_is_there_when_the_page_is_opened(
    person: Callable[..., Person], site: Site, loaded: dict[str, Any]
) -> None:
    """Without script, a page shows the red bar when it is opened, with a link to the loaded spools."""
    decide(site, loaded, "block")
    lead = person(WIDTHS[0], script=False, role="production")
    lead.go("/check")
    assert f"Take spool {loaded['spool_code']} off P-BAR now." in lead.page.locator(".red-bar").inner_text()
    lead.page.locator(".red-bar a").click()
    assert "Loaded spools" == lead.heading()


def test_it_is_told_once(person: Callable[..., Person], site: Site, loaded: dict[str, Any]) -> None:
    """The bar is not replaced without a change, since a screen reader would announce it every four seconds."""
    decide(site, loaded, "block")
    lead = person(WIDTHS[1], role="production")
    with lead.page.expect_response("**/must-come-off") as asked:
        lead.go("/check")
        lead.page.evaluate("document.querySelector('.red-bar').marked = true")
    assert 304 == asked.value.status
    assert lead.page.evaluate("document.querySelector('.red-bar').marked === true")


def test_a_hidden_page_asks_nothing_and_asks_at_once_when_it_is_seen(person: Callable[..., Person], site: Site) -> None:
    """A hidden page sends no requests, and sends one at once when it is shown."""
    lead = person(WIDTHS[1], role="production")
    lead.page.clock.install()
    lead.go("/check")
    page = lead.page

    def asked() -> int:
        return len([url for url in lead.requests if url.endswith("/must-come-off")])

    hide = "h => { Object.defineProperty(document, 'hidden', {value: h, configurable: true}); document.dispatchEvent(new Event('visibilitychange')); }"
    page.evaluate(hide, True)
    before = asked()
    page.clock.run_for(60_000)
    assert before == asked()
    with page.expect_response("**/must-come-off"):
        page.evaluate(hide, False)
    assert before + 1 == asked()


def test_a_server_that_is_away_shows_nothing_wrong_and_is_asked_more_slowly(
    person: Callable[..., Person], site: Site
) -> None:
    """The page stays as it is. When the server is back, the bar is updated."""
    lead = person(WIDTHS[1], role="production")
    lead.page.clock.install()
    lead.go("/check")
    page, tries, seen = lead.page, [], lead.page.inner_html("body")
    page.route("**/must-come-off", lambda route: (tries.append(route.request.url), route.fulfill(status=503)))
    for _ in range(12):
        page.clock.run_for(5_000)
        page.wait_for_timeout(50)
    assert 2 <= len(tries) <= 5
    assert seen == page.inner_html("body")
    page.unroute("**/must-come-off")
    with page.expect_response("**/must-come-off") as answered:
        page.clock.run_for(70_000)
    assert answered.value.status in (200, 304)
    lead.errors.clear()
