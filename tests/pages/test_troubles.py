"""A trouble of the database or of the program on a page: said on a page, with the status that programs get."""

import pytest

from lots.pages.site import session
from lots.services.errors import Full, Unavailable
from tests.pages.reading import SITE, Browser


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (Unavailable("gone"), 503, "Nothing was stored."),
        (Full("no room"), 507, "free space"),
        (RuntimeError("a fault"), 500, "The request id is"),
    ],
    ids=["database away", "disk full", "fault of the program"],
)
def test_it_is_said_on_a_page(desk, monkeypatch, error, status, words):
    """No problem document, no traceback, and the session stays."""
    somebody = Browser(desk, "production")

    def fail():
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(session, "load", fail)
        answer = somebody.raw("/lots")
    assert (status, "text/html") == (answer.status_code, answer.mimetype)
    assert words in answer.get_data(as_text=True)
    assert 200 == somebody.client.get("/lots", base_url=SITE).status_code


def test_a_database_that_is_away_can_be_asked_again(desk, monkeypatch):
    """Retry-After says when."""
    somebody = Browser(desk, "production")

    def fail():
        raise Unavailable("gone")

    monkeypatch.setattr(session, "load", fail)
    assert "2" == somebody.raw("/lots").headers["Retry-After"]
