"""The seal of a form: only the session it was made for can send it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.browser.conftest import Site
from tests.browser.person import Person


def _seal(somebody: Person) -> str:
    return str(somebody.page.locator("main form input[name=seal]").first.input_value())


def test_form_of_another_session(person: Callable[..., Person], site: Site) -> None:
    """A form that another person's page was made with is refused, in words, and changes nothing."""
    mine, other = person(1920, role="quality"), person(1920, role="admin")
    mine.go("/lots/27/decide?action=hold")
    other.go("/lots/27/decide?action=hold")
    assert _seal(mine) != _seal(other)
    mine.page.get_by_label("Reason").fill("a form that was replayed")
    mine.page.locator("main form input[name=seal]").first.evaluate("(e, seal) => { e.value = seal }", _seal(other))
    mine.press("Hold lot")
    assert "Form not accepted" == mine.heading()
    assert "This form belongs to another sign-in or another site." in mine.page.inner_text("main")
    assert site.ask("quality", "GET", "/lots/27")["by_hand"] is None


def test_form_without_seal(person: Callable[..., Person], site: Site) -> None:
    """A form of another site, which cannot know the seal, is refused even where the browser sends the cookie."""
    mine = person(1920, role="quality")
    mine.go("/lots/27/decide?action=hold")
    mine.page.locator("main form input[name=seal]").first.evaluate("e => e.remove()")
    mine.page.get_by_label("Reason").fill("a form without its seal")
    mine.press("Hold lot")
    assert "Form not accepted" == mine.heading()
    assert site.ask("quality", "GET", "/lots/27")["by_hand"] is None


def test_form_after_signing_out(person: Callable[..., Person], site: Site) -> None:
    """A form that was left open when somebody signed out asks to sign in, changes nothing, and leads to the first page."""
    mine = person(1920, role="quality")
    mine.go("/lots/27/decide?action=hold")
    mine.page.get_by_label("Reason").fill("sent after signing out")
    mine.context.clear_cookies()
    mine.press("Hold lot")
    assert "Sign in" == mine.heading()
    mine.page.get_by_label("Your token").fill(site.tokens["quality"])
    mine.press("Sign in")
    assert "Home" == mine.heading()
    assert site.ask("quality", "GET", "/lots/27")["by_hand"] is None


def test_cookie_out_of_reach(person: Callable[..., Person], site: Site) -> None:
    """The cookie cannot be read by script, goes with no request that another site starts, and is gone after signing out."""
    mine = person(1920)
    mine.sign_in(site.tokens["quality"])
    (cookie,) = mine.context.cookies()
    assert (True, "Strict") == (cookie["httpOnly"], cookie["sameSite"])
    assert ("lots_session", 43) == (cookie["name"], len(cookie["value"]))
    assert "" == mine.page.evaluate("document.cookie")
    mine.press("Sign out")
    # What is left is the cookie of the sign-in form that is shown now, which no script can read either.
    (left,) = mine.context.cookies()
    assert ("lots_sign_in", True, "Strict") == (left["name"], left["httpOnly"], left["sameSite"])
    assert "" == mine.page.evaluate("document.cookie")


@pytest.mark.parametrize(
    "then", ["/%09/evil.example", "/\\evil.example", "//evil.example", "/%2F/evil.example", "https:evil.example"]
)
def test_prepared_link(person: Callable[..., Person], site: Site, then: str) -> None:
    """A link to the sign-in page that somebody prepared leads to the first page of this server."""
    mine = person(1920)
    mine.sign_in(site.tokens["quality"], then=f"/sign-in?then={then}")
    assert f"{site.base}/" == mine.page.url


def test_sign_in_without_cookies(person: Callable[..., Person], site: Site) -> None:
    """A form whose cookie is gone says what to do, and works when the token is typed again."""
    mine = person(1920)
    mine.go("/lots")
    mine.context.clear_cookies()
    mine.page.get_by_label("Your token").fill(site.tokens["quality"])
    mine.press("Sign in")
    assert "Allow cookies for this address" in mine.page.inner_text("main")
    mine.page.get_by_label("Your token").fill(site.tokens["quality"])
    mine.press("Sign in")
    assert f"{site.base}/lots" == mine.page.url
