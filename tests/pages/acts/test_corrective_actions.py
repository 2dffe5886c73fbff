"""Corrective actions at pages of their own: requested, answered, closed on the lots that came after."""

from __future__ import annotations

import pytest

from tests.api.bodies import Furnished
from tests.pages.reading import Browser

ANSWER = {"cause": "a worn die", "action": "the die was changed", "answered_by": "Jory"}


@pytest.fixture
def at(shop):
    """A shop with one of everything."""
    return Furnished(shop)


def test_an_action_is_requested_answered_and_not_closed_too_early(shop, at):
    """From the page of a blocked lot to its own page; closing waits for conforming lots."""
    lot, technician = at.blocked_lot(), Browser(shop, "quality")
    page = technician.go(technician.go(f"/lots/{lot}").links["Request a corrective action"])
    assert (422, 422) == (
        technician.send(page, "requested_action", requested_action=" ").status,
        technician.send(page, "requested_action", requested_action="x", due_at="2020-01-01").status,
    )
    made = technician.send(page, "requested_action", requested_action="find the cause", due_at="2199-01-31")
    assert "Corrective action requested" in made.text
    assert "2199-01-31 23:59 UTC" in made.text
    refused = technician.send(made, "cause", **{**ANSWER, "cause": " "})
    assert (422, True) == (refused.status, "Correct the fields marked below." in refused.text)
    answered = technician.send(refused, "cause", **ANSWER)
    assert "Answer stored" in answered.text
    assert "Closing needs 3 more consecutive conforming lots." in answered.text
    assert not any("note" in form["fields"] for form in answered.forms)
    sent = {**technician.go("/").form("seal")["fields"], "note": "enough"}
    early = technician.go("/corrective-actions/1/close", data=sent)
    assert (409, "answered") == (early.status, shop.get("quality", "/corrective-actions")["items"][0]["state"])


def test_an_action_is_closed_on_the_lots_that_prove_it(shop, at):
    """Quality closes it once with a note, and it is then last in the list."""
    number, technician = at.action(answered=True), Browser(shop, "quality")
    other = at.action()
    page = technician.go(f"/corrective-actions/{number}")
    assert 422 == technician.send(page, "note", note="").status
    done = technician.send(page, "note", note="three good lots")
    assert "Corrective action closed" in done.text
    assert "three good lots" in done.text
    assert not any("note" in form["fields"] for form in done.forms)
    links = [link for link in technician.go("/corrective-actions").every_link if "/corrective-actions/" in link]
    assert [f"/corrective-actions/{other}", f"/corrective-actions/{number}"] == links


def test_a_lot_that_never_failed_has_nothing_to_put_right(shop, at):
    """409 in words, on the form."""
    technician = Browser(shop, "quality")
    page = technician.go(f"/lots/{at.lot_id}/corrective-actions")
    refused = technician.send(page, "requested_action", requested_action="be better")
    assert (409, True) == (refused.status, "there is nothing to correct" in refused.text.replace("so there", "there"))


def test_purchasing_requests_and_answers_and_quality_closes(shop, at):
    """Production and receiving do neither."""
    number = at.action(answered=True)
    buyer = Browser(shop, "purchasing")
    assert 200 == buyer.go(f"/corrective-actions/{number}").status
    listed = [Browser(shop, role).go("/corrective-actions").links for role in ("purchasing", "quality")]
    assert all("/purchasing/letters" == links["Letters"] for links in listed)
    sealed = buyer.go("/").form("seal")["fields"]
    assert 403 == buyer.raw(f"/corrective-actions/{number}/close", data={**sealed, "note": "x"}).status_code
    for role in ("production", "receiving"):
        other = Browser(shop, role)
        assert {403} == {
            other.raw(path).status_code
            for path in ("/corrective-actions", f"/corrective-actions/{number}", "/lots/1/corrective-actions")
        }
    assert (404, True) == ((page := buyer.go("/corrective-actions/99")).status, "Back" in page.links)


def test_an_answer_is_due_by_the_clock_of_the_site(shop, at):
    """On every page that names it; the first page leads to the corrective action itself."""
    shop.call("admin", "PATCH", "/shop", {"time_zone": "Europe/Berlin"}, If_Match="*")
    lot = at.blocked_lot()
    shop.post("quality", f"/lots/{lot}/corrective-actions", {"requested_action": "x", "due_at": "2199-01-31T08:00:00Z"})
    technician = Browser(shop, "quality")
    for path in ("/corrective-actions", "/corrective-actions/1", f"/lots/{lot}/corrective-actions", "/quality", "/"):
        page = technician.go(path)
        assert "2199-01-31 09:00 CET" in page.text, path
        assert "08:00 UTC" not in page.text, path
    assert "/corrective-actions/1" in page.links.values()
