"""Somebody at a page, in a browser that notes every request, every error and every policy that comes with a page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

AXE = (Path(__file__).parent / "axe" / "axe.min.js").read_text(encoding="utf-8")
# WCAG 2.1, levels A and AA.
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa")

# A policy as strict as the pages can bear: nothing from elsewhere, nothing inline, no frame around it.
STRICT = {
    "default-src": {"'none'"},
    "base-uri": {"'none'"},
    "form-action": {"'self'"},
    "frame-ancestors": {"'none'"},
    "style-src": {"'self'"},
    "img-src": {"'self'", "data:"},
    "script-src": {"'self'"},
    "connect-src": {"'self'"},
}

# Where script runs, a broken policy is also told by the page itself; the browser tells it in its console anyway.
_TELL = "addEventListener('securitypolicyviolation', e => console.error('policy broken: ' + e.violatedDirective + ' ' + e.blockedURI))"

_VIOLATIONS = """rules => axe.run({resultTypes: ['violations'], runOnly: rules[0], rules: rules[1]}).then(found => found.violations.map(
    v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 120)).join(' | ')))"""


class Person:
    """Somebody at a page."""

    def __init__(self, context: Any, base: str) -> None:
        self.context, self.base = context, base
        self.requests: list[str] = []
        self.policies: list[tuple[str, str]] = []
        self.errors: list[tuple[str, str]] = []
        self._refused: set[str] = set()
        context.add_init_script(_TELL)
        context.on("request", lambda request: self.requests.append(request.url))
        context.on("response", self._answered)
        context.on("console", self._said)
        context.on("weberror", lambda error: self.errors.append((str(error.error), self.page.url)))
        self.page = context.new_page()

    def _answered(self, response: Any) -> None:
        if response.request.resource_type == "document":
            self.policies.append((response.url, response.headers.get("content-security-policy", "")))
            # A page that says why something was refused is noted by the browser as a failure to load.
            if response.status >= 400:
                self._refused.add(response.url)
        # So is a form that a script sends, whose answer it then shows.
        elif (
            response.request.resource_type == "fetch"
            and response.request.method == "POST"
            and response.status in (403, 409, 422)
        ):
            self._refused.add(response.url)

    def _said(self, message: Any) -> None:
        where = message.location.get("url", "")
        if message.type == "error" and not (message.text.startswith("Failed to load") and where in self._refused):
            self.errors.append((message.text, where))

    def go(self, path: str) -> Any:
        """Opens a page of the server."""
        return self.page.goto(self.base + path)

    def sign_in(self, token: str, then: str = "/") -> None:
        """Comes to a page as a stranger, types the token and presses Enter, as a scanner does."""
        self.go(then)
        self.page.get_by_label("Your token").fill(token)
        self.page.keyboard.press("Enter")
        self.page.get_by_role("button", name="Sign out").wait_for()

    def press(self, name: str) -> None:
        """Presses a button and waits for the page it leads to."""
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name).click()

    def follow(self, name: str) -> None:
        """Follows the first link of exactly this name."""
        with self.page.expect_navigation():
            self.page.get_by_role("link", name=name, exact=True).first.click()

    def choose(self, name: str) -> None:
        """Chooses from the menu, which is folded on a phone."""
        folded = self.page.locator(".phone-menu summary")
        if folded.is_visible() and not folded.locator("xpath=..").evaluate("e => e.open"):
            folded.click()
        with self.page.expect_navigation():
            self.page.get_by_role("navigation", name="Main menu").get_by_role("link", name=name, exact=True).click()

    def heading(self) -> str:
        """The only first-level heading of the page."""
        headings = self.page.get_by_role("heading", level=1).all_inner_texts()
        assert 1 == len(headings), headings
        return str(headings[0])

    def fits(self) -> bool:
        """True when the page does not scroll sideways."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"))

    def answer(self) -> tuple[str, float]:
        """The large answer as it is read from afar, and the size of its letters, px; it must be seen without scrolling."""
        word = self.page.locator(".answer .word")
        box = word.bounding_box()
        assert box is not None
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= self.page.viewport_size["height"]
        return word.inner_text(), float(word.evaluate("e => parseFloat(getComputedStyle(e).fontSize)"))

    def barriers(self, *, contrast: bool = True) -> list[str]:
        """What axe-core finds against WCAG 2.1 A and AA on this page; the contrast takes longest."""
        self.page.evaluate(f"{AXE};0")
        rules = {} if contrast else {"color-contrast": {"enabled": False}}
        found: list[str] = self.page.evaluate(_VIOLATIONS, [list(RULES), rules])
        return found

    def was_well_served(self) -> None:
        """Holds that no request left the server, no page was without its policy, and no error went to the console."""
        assert [] == [url for url in self.requests if not url.startswith((self.base + "/", "data:"))]
        assert [] == self.errors
        for url, policy in self.policies:
            said = {name: set(values) for name, *values in (part.split() for part in policy.split(";") if part.strip())}
            assert STRICT == said, url
