"""An address that is no page: words for a person, a problem document for a program."""

from __future__ import annotations

import pytest

from tests.api.refusals import refused
from tests.pages.reading import SITE, Browser, Page

# What browsers send when an address is opened (Fetch Standard, 2.2.5, document).
PERSON = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
LOST = ("/nowhere", "/lots/", "/lots/x", "/lots/1/nothing", "/spools", "/v2/lots", "/<b>x</b>", "/docsy")
FOR_PROGRAMS = ("/v1", "/v1/nowhere", "/v1/lots/x", "/docs/nowhere.js", "/metrics/x", "/healthz/x", "/readyz/x")


@pytest.mark.parametrize("path", LOST)
def test_a_person_is_told_in_words(shop, path):
    """Signed in or not: the escaped path and a link to Home, under the policy of every page."""
    for somebody in (Browser(shop, "receiving").client, shop.app.test_client()):
        answer = somebody.get(path, base_url=SITE, headers={"Accept": PERSON})
        page = Page(answer)
        assert (404, "text/html", "Page not found") == (page.status, answer.mimetype, page.headings[0])
        assert path in page.text
        assert "/" == page.links["Go to Home"]
        assert "script-src 'self'" in answer.headers["Content-Security-Policy"]
        assert "no-store" == answer.headers["Cache-Control"]


def test_the_menu_is_there_for_whoever_is_signed_in(shop):
    """A mistyped address costs no detour; a stranger has no menu."""
    known, stranger = (
        Page(client.get("/nowhere", base_url=SITE, headers={"Accept": PERSON}))
        for client in (Browser(shop, "receiving").client, shop.app.test_client())
    )
    assert ("Measure" in known.links, "Measure" in stranger.links) == (True, False)


@pytest.mark.parametrize("path", FOR_PROGRAMS)
def test_below_the_paths_of_programs_nothing_changes(shop, path):
    """A program gets a problem document (RFC 9457) for any Accept header."""
    refused(shop.app.test_client().get(path, headers={"Accept": PERSON}), 404, "not-found", [])


@pytest.mark.parametrize(
    "accept", [None, "*/*", "application/json", "application/problem+json", "application/json, text/html;q=0.9"]
)
def test_who_does_not_prefer_a_page_gets_none(shop, accept):
    """A program that mistyped an address outside /v1 is answered as before."""
    headers = {} if accept is None else {"Accept": accept}
    refused(shop.app.test_client().get("/nowhere", headers=headers), 404, "not-found", [])


def test_an_address_that_is_only_sent_to_says_so_too(shop):
    """405 names the allowed methods (RFC 9110, 15.5.6), also for a person."""
    client = shop.app.test_client()
    person = client.get("/sign-out", headers={"Accept": PERSON})
    assert (405, "text/html", True) == (person.status_code, person.mimetype, "POST" in person.headers["Allow"])
    assert "POST" in refused(client.get("/sign-out"), 405, "wrong-method", [])["detail"]
