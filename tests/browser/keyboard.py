"""Somebody who has nothing but the keyboard, and whose presses are counted."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from tests.browser.person import Person

# Far more presses of Tab than any page should ask for.
_PATIENCE = 150
_HELD = """(() => { const e = document.activeElement;
    return [e.name, e.value, e.id, e.innerText?.trim(), e.getAttribute('aria-label'), e.labels?.[0]?.innerText.trim()]; })()"""


@dataclass
class Count:
    """The effort: keys pressed and pages loaded, without clicks."""

    keys: int = 0
    loads: int = 0


class Typist(Person):
    """Somebody at a page who uses the keyboard alone; each page they come to must fit the width of the screen."""

    def __init__(self, context: Any, base: str, *, script: bool) -> None:
        super().__init__(context, base)
        self.script = script
        self.count = Count()
        self.page.on("request", self._asked)
        self._examined: set[str] = set()

    def _asked(self, request: Any) -> None:
        # A form that leads elsewhere is one page for the person who waits for it.
        self.count.loads += request.is_navigation_request() and request.redirected_from is None

    def key(self, *keys: str) -> None:
        """Presses keys."""
        for one in keys:
            self.page.keyboard.press(one)
            self.count.keys += 1

    def type(self, text: str) -> None:
        """Types a text."""
        self.page.keyboard.type(text)
        self.count.keys += len(text)

    def held(self) -> list[Any]:
        """The name, value and words of what has the focus."""
        return list(self.page.evaluate(_HELD))

    def tab_to(self, name: str, key: str = "Tab") -> None:
        """Presses Tab, or Shift and Tab, until the named element has the focus."""
        for _ in range(_PATIENCE):
            if name in self.held():
                return
            self.key(key)
        raise AssertionError(f"Tab does not reach {name} on {self.page.url}")

    def enter(self, key: str = "Enter") -> None:
        """Presses Enter and looks at the page it leads to."""
        with self.page.expect_navigation():
            self.key(key)
        self.look()

    def look(self) -> None:
        """Holds that the page has one heading and fits; where script runs, that it has no barrier, once for each kind of page."""
        assert self.heading()
        assert self.fits(), self.page.url
        kind = re.sub(r"[^/]*\d[^/]*", "*", self.page.url.removeprefix(self.base).partition("?")[0])
        if self.script and kind not in self._examined:
            self._examined.add(kind)
            assert [] == self.barriers(), self.page.url

    def follow(self, name: str) -> None:
        """Goes to a link by Tab and presses Enter."""
        self.tab_to(name)
        self.enter()

    def press(self, name: str) -> None:
        """Goes to a button by Tab and presses Enter."""
        self.follow(name)

    def back_to(self, name: str) -> None:
        """Goes backward to a link or button and presses Enter."""
        self.tab_to(name, "Shift+Tab")
        self.enter()

    def unfold(self, name: str) -> None:
        """Goes to a closed details element and opens it."""
        self.tab_to(name)
        self.key("Enter")

    def fill(self, name: str, text: str) -> None:
        """Goes to a field and replaces its value."""
        self.tab_to(name)
        if self.page.evaluate("document.activeElement.value"):
            self.key("Control+a")
        self.type(text)

    def pick(self, name: str, text: str) -> None:
        """Goes to a list of choices and types how one of them begins."""
        self.tab_to(name)
        self.type(text)
        chosen = str(self.page.evaluate("document.activeElement.selectedOptions[0].innerText"))
        assert chosen.startswith(text), (name, chosen)

    def tick(self, name: str) -> None:
        """Goes to a box and ticks it."""
        self.tab_to(name)
        self.key("Space")

    def radio(self, name: str, value: str) -> None:
        """Goes to one of several radio buttons: Tab reaches one, arrows the others."""
        self.tab_to(name)
        while value not in self.held():
            self.key("ArrowDown")
        self.key("Space")

    def choose(self, name: str) -> None:
        """Goes to a desk by the menu, which is folded on a phone."""
        folded = self.page.locator(".phone-menu summary")
        if folded.is_visible():
            self.unfold("Menu")
        self.follow(name)

    def main(self) -> str:
        """The text of the page."""
        return str(self.page.inner_text("main"))

    def status(self) -> str:
        """The success message of the page."""
        return " ".join(self.page.get_by_role("status").all_inner_texts())
