"""The first day in a browser: from an empty database to a shop with people and a supplier, by the keyboard alone."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import WIDTHS
from tests.browser.person import Person
from tests.trust.serving import free_port

ROOT = Path(__file__).parent.parent.parent
# Bytes of a page with all that it fetches.
HEAVIEST = 150 * 1024


@pytest.fixture
def link(tmp_path: Path, chromium_path: str) -> Iterator[str]:
    """What `lots serve` prints on an empty database."""
    command = [sys.executable, "-c", "from lots.cli import main; main()", "serve", "--port", str(free_port())]
    clean = {name: value for name, value in os.environ.items() if not name.startswith("LOTS_")}
    named = {**clean, "LOTS_DATABASE": f"sqlite:///{tmp_path}/new.sqlite3", "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(command, env=named, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        found = None
        for line in server.stderr:
            found = found or re.search(r"http://\S+/first/\S+", line)
            if "Serving on" in line:
                break
        assert found is not None
        yield found[0]
        server.terminate()
        server.stderr.read()


@pytest.fixture
def newcomer(browser: Any, link: str) -> Iterator[Callable[..., Person]]:
    """Makes somebody at this machine who never saw the program, and holds in the end that they were well served."""
    people: list[Person] = []

    def sit_down(width: int, *, script: bool) -> Person:
        context = browser.new_context(java_script_enabled=script, viewport={"width": width, "height": 800})
        people.append(Person(context, link.partition("/first/")[0]))
        return people[-1]

    yield sit_down
    for one in people:
        one.context.close()
        one.was_well_served()


def tab_to(somebody: Person, name: str) -> None:
    """Presses Tab until what is called so has the focus."""
    for _ in range(60):
        held = somebody.page.evaluate(
            "(() => { const e = document.activeElement; return [e.name, e.value, e.innerText?.trim()]; })()"
        )
        if name in held:
            return
        somebody.page.keyboard.press("Tab")
    raise AssertionError(f"Tab does not reach {name} on {somebody.page.url}")


def enter(somebody: Person) -> None:
    """Presses Enter and waits for the page it leads to."""
    with somebody.page.expect_navigation():
        somebody.page.keyboard.press("Enter")


def follow(somebody: Person, name: str) -> None:
    """Goes to a link or button by Tab and presses Enter."""
    tab_to(somebody, name)
    enter(somebody)
    assert somebody.fits(), somebody.page.url


@pytest.mark.parametrize("width", [390, *WIDTHS[1:]])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_shop_is_begun_by_the_keyboard_alone(
    width: int, script: bool, newcomer: Callable[..., Person], link: str
) -> None:
    """The first field of each form has the focus; Enter sends it; no page scrolls sideways."""
    somebody = newcomer(width, script=script)
    page, keys = somebody.page, somebody.page.keyboard
    page.goto(link)
    assert somebody.fits()
    keys.type("Wilhelmina")
    enter(somebody)
    assert "Token of Wilhelmina" == somebody.heading()
    # axe-core needs the page's own script.
    assert not script or [] == somebody.barriers()
    assert somebody.fits()
    assert script == page.locator("button[data-print]").is_visible()
    follow(somebody, "Continue")

    follow(somebody, "Shop's details")
    keys.type("Saltmarsh Yard Prints")
    tab_to(somebody, "time_zone")
    keys.press("Control+a")
    keys.type("Europe/Berlin")
    keys.press("Escape")
    follow(somebody, "Show example")
    assert "CET" in page.locator(".example").inner_text() or "CEST" in page.locator(".example").inner_text()
    tab_to(somebody, "sheet_left_mm")
    enter(somebody)
    assert "Set-up" == somebody.heading()

    follow(somebody, "People")
    keys.type("Perpetua")
    tab_to(somebody, "receiving")
    keys.press("Space")
    enter(somebody)
    assert "Token of Perpetua" == somebody.heading()
    token = page.locator(".token-text").inner_text()
    follow(somebody, "Continue")
    follow(somebody, "Set-up")
    follow(somebody, "Suppliers")
    somebody.go("/setup/suppliers")
    keys.type("QWT")
    keys.press("Tab")
    keys.type("Quillwort Extrusion")
    enter(somebody)
    assert "Quillwort Extrusion" in page.locator("table").inner_text()

    clerk = newcomer(width, script=script)
    clerk.sign_in(token)
    clerk.go("/setup")
    assert "Ask quality." in clerk.page.locator("main").inner_text()


def test_no_page_of_the_set_up_is_heavy(newcomer: Callable[..., Person], link: str) -> None:
    """With style sheet and scripts, and the names of all time zones."""
    somebody = newcomer(390, script=True)
    somebody.page.goto(link)
    somebody.page.keyboard.type("Wilhelmina")
    enter(somebody)
    for path in ("/", "/setup", "/setup/shop", "/setup/people", "/setup/suppliers"):
        somebody.go(path)
        fetched = "performance.getEntriesByType('resource').reduce((sum, e) => sum + e.decodedBodySize, 0)"
        whole = len(somebody.page.content().encode()) + int(somebody.page.evaluate(fetched))
        assert whole <= HEAVIEST, path
