"""The link for the first administrator, from a server's output to a local browser."""

from __future__ import annotations

import re
import sys
from urllib.parse import urlencode

import pytest

from tests.trust.serving import add_token, free_port

pytestmark = pytest.mark.served

SERVE = [sys.executable, "-c", "from lots.cli import main; main()", "serve"]
FORM = {"Content_Type": "application/x-www-form-urlencoded"}


@pytest.fixture
def serve(start, database_url):
    """Starts `lots serve` on a database without a token, with settings."""

    def run(**settings):
        port = free_port()
        return start(SERVE, port, LOTS_DATABASE=database_url, LOTS_PORT=str(port), **settings)

    return run


def link_of(served):
    """The path of the printed link, or None."""
    found = re.search(
        rf"^  http://127\.0\.0\.1:{served.port}(/first/[\w-]{{43}})$", served.log.read_text(), re.MULTILINE
    )
    return found and found[1]


def send(served, path, name):
    """Opens the form of a link and sends it as a browser does; status, headers and page."""
    status, headers, page = served.ask("GET", path)
    if status != 200:
        return status, headers, page
    cookie = headers["Set-Cookie"].partition(";")[0]
    seal = re.search(rb'name="seal" value="(\w+)"', page)[1].decode()
    return served.ask("POST", path, urlencode({"name": name, "seal": seal}), Cookie=cookie, **FORM)


def test_an_empty_shop_prints_a_link_that_makes_the_first_administrator_once(serve):
    """The link's token opens the API and its cookie the set-up; then the link is invalid, and the next start prints none."""
    served = serve()
    path = link_of(served)
    status, headers, page = send(served, path, "Wilhelmina")
    assert 200 == status
    token = re.search(rb"[\w-]{43}(?=</dd>)", page)[0].decode()
    assert "admin" == served.ask("GET", "/v1/me", Authorization=f"Bearer {token}")[2]["role"]
    session = re.search(r"lots_session=[\w-]{43}", headers["Set-Cookie"])[0]
    assert 200 == served.ask("GET", "/setup", Cookie=session)[0]
    status, _, page = send(served, path, "Again")
    assert (404, True) == (status, b"lots token add NAME --role admin" in page)
    assert 0 == served.stop()
    logged = served.log.read_text()
    assert (1, 0) == (logged.count(path), logged.count(token))
    assert '"route": "/first/{secret}"' in logged
    assert link_of(serve()) is None


def test_a_link_holds_for_its_own_process_alone(serve):
    """After a restart the old link is invalid and the new one works."""
    first = serve()
    old = link_of(first)
    first.stop()
    second = serve()
    assert 404 == second.ask("GET", old)[0]
    assert 200 == second.ask("GET", link_of(second))[0]


def test_a_client_elsewhere_is_refused_behind_a_proxy(serve):
    """A remote client behind a local proxy is refused."""
    served = serve(LOTS_PROXY="127.0.0.1")
    path = link_of(served)
    assert 404 == served.ask("GET", path, X_Forwarded_For="203.0.113.9")[0]
    assert 200 == served.ask("GET", path, X_Forwarded_For="127.0.0.1")[0]


def test_workers_of_gunicorn_print_no_link(gunicorn):
    """Workers of gunicorn print no link; the first token comes from the command line."""
    assert "/first/" not in gunicorn("--workers", "2").log.read_text()


def test_a_shop_with_a_token_prints_no_link(serve, database_url):
    """With a token from the command line no link is printed."""
    add_token(database_url, "Corin", "production")
    assert "/first/" not in serve().log.read_text()
