"""Proxy headers count exactly when the settings name the proxy."""

from __future__ import annotations

from dataclasses import replace

import pytest
from flask import jsonify, request

from lots.app import create_app

FRESH_APP = True

PROXY = "192.0.2.1"
SAID = {
    "X-Forwarded-For": "203.0.113.9",
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Host": "lots.example",
    "X-Forwarded-Prefix": "/filament",
}
PLAIN = "http://localhost/"


@pytest.fixture
def engine():
    """SQLite alone: no row is read here."""
    return "sqlite"


@pytest.fixture
def seen(settings_and_tokens):
    """Returns the application's view of a request: the client's address and the root of its addresses."""
    settings, _ = settings_and_tokens

    def see(named, address, path="/seen", **headers):
        app = create_app(replace(settings, proxy=named))
        app.get("/seen")(lambda: jsonify([request.remote_addr, request.root_url, request.access_route]))
        answer = app.test_client().get(path, headers=headers, environ_base={"REMOTE_ADDR": address})
        return answer.get_json()[:2] if answer.status_code == 200 else answer.status_code

    return see


@pytest.mark.parametrize(
    ("named", "address"),
    [
        (PROXY, PROXY),
        (f"198.51.100.1, {PROXY}", PROXY),
        (PROXY, f"::ffff:{PROXY}"),
        ("2001:DB8::1", "2001:db8:0::1"),
        ("unix", ""),
        (f"{PROXY},unix", ""),
    ],
)
def test_the_proxy_that_is_named_is_believed(seen, named, address):
    """The named proxy is trusted by its address in any form, by one of several, or through a unix socket."""
    assert ["203.0.113.9", "https://lots.example/filament/"] == seen(named, address, **SAID)


@pytest.mark.parametrize(
    ("named", "address"),
    [("none", "127.0.0.1"), (PROXY, "192.0.2.2"), (PROXY, ""), ("unix", "127.0.0.1"), ("none", ""), (PROXY, "proxy")],
)
def test_nobody_else_is_believed(seen, named, address):
    """Proxy headers of any other client have no effect."""
    assert [address, PLAIN] == seen(named, address, **SAID)


@pytest.mark.parametrize("name", ["X-Forwarded-For", "Forwarded", "X-Forwarded-Port"])
def test_what_nobody_may_say_reaches_nothing(settings_and_tokens, name):
    """A proxy header of another client is removed before the application."""
    app = create_app(settings_and_tokens[0])
    app.get("/seen")(lambda: jsonify(name in request.headers))
    assert app.test_client().get("/seen", headers={name: "203.0.113.9"}).get_json() is False


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("X-Forwarded-For", "198.51.100.66, 203.0.113.9", ["203.0.113.9", PLAIN]),
        ("X-Forwarded-For", "203.0.113.9:4711", ["203.0.113.9", PLAIN]),
        ("X-Forwarded-For", "[2001:db8::1]:4711", ["2001:db8::1", PLAIN]),
        ("X-Forwarded-For", "unknown", [PROXY, PLAIN]),
        ("X-Forwarded-For", "x" * 5000, [PROXY, PLAIN]),
        ("X-Forwarded-Proto", "http, https", [PROXY, "https://localhost/"]),
        ("X-Forwarded-Proto", "javascript", [PROXY, PLAIN]),
        ("X-Forwarded-Host", "evil.example, lots.example", [PROXY, "http://lots.example/"]),
        ("X-Forwarded-Prefix", "/filament/", [PROXY, "http://localhost/filament/"]),
        ("X-Forwarded-Prefix", "/", [PROXY, PLAIN]),
        ("X-Forwarded-Prefix", "//evil.example", [PROXY, PLAIN]),
        ("X-Forwarded-Prefix", "/\\evil.example", [PROXY, PLAIN]),
        ("X-Forwarded-Prefix", "/a/../b", [PROXY, PLAIN]),
        ("X-Forwarded-Prefix", "filament", [PROXY, PLAIN]),
    ],
)
def test_only_what_makes_sense_is_believed(seen, name, value, expected):
    """Of several hops the last one counts, added by the proxy; an invalid address, scheme or path has no effect."""
    assert expected == seen(PROXY, PROXY, **{name: value})


@pytest.mark.parametrize(
    ("prefix", "path", "expected"),
    [
        ("/filament", "/filament/seen", "http://localhost/filament/"),
        ("/a/b", "/a/b/seen", "http://localhost/a/b/"),
        ("/filament", "/seen", "http://localhost/filament/"),
        ("/filament", "/filamentary/seen", 404),
        # The program has a path /lots itself, so this proxy has to take its prefix off.
        ("/lots", "/seen", "http://localhost/lots/"),
        ("/lots", "/lots/seen", 404),
    ],
)
def test_a_proxy_may_leave_the_prefix_on_the_path(seen, prefix, path, expected):
    """The prefix is removed from the path as a whole segment, and a path without it works too."""
    found = seen(PROXY, PROXY, path, **{"X-Forwarded-Prefix": prefix})
    assert expected == (found if found == 404 else found[1])


@pytest.mark.parametrize(
    ("host", "scheme", "port"),
    [("lots.example", "https", "443"), ("lots.example", "http", "80"), ("lots.example:8443", "https", "8443")],
)
def test_the_port_is_that_of_the_proxy(settings_and_tokens, host, scheme, port):
    """Addresses in answers have the proxy's port."""
    app = create_app(replace(settings_and_tokens[0], proxy=PROXY))
    app.get("/seen")(lambda: jsonify([request.environ["SERVER_NAME"], request.environ["SERVER_PORT"]]))
    said = {"X-Forwarded-Host": host, "X-Forwarded-Proto": scheme}
    environ = {"REMOTE_ADDR": PROXY, "SERVER_PORT": "8080"}
    assert ["lots.example", port] == app.test_client().get("/seen", headers=said, environ_base=environ).get_json()


def test_wrong_tokens_count_by_the_address_of_the_client(settings_and_tokens):
    """Behind a proxy wrong tokens are counted by client."""
    client = create_app(replace(settings_and_tokens[0], proxy=PROXY)).test_client()

    def guess(address, text):
        said = {"X-Forwarded-For": address, "Authorization": f"Bearer {text}"}
        return client.get("/v1/me", headers=said, environ_base={"REMOTE_ADDR": PROXY}).status_code

    assert [401] * 20 + [429] == [guess("203.0.113.9", f"guess {n}") for n in range(21)]
    assert 401 == guess("203.0.113.10", "guess")


def test_addresses_in_answers_are_below_the_prefix(settings_and_tokens):
    """Location, next page and problem type are below the prefix; `pytest -m served` tests all other addresses."""
    settings, tokens = settings_and_tokens
    client = create_app(replace(settings, proxy=PROXY)).test_client()
    token = {"Authorization": f"Bearer {tokens['admin']}", "X-Forwarded-Prefix": "/filament"}

    def ask(method, path, **sent):
        return client.open(path, method=method, headers=token, environ_base={"REMOTE_ADDR": PROXY}, **sent)

    made = [ask("POST", "/v1/suppliers", json={"code": code, "name": code}).location for code in ("QWT", "NBK")]
    assert ["/filament/v1/suppliers/1", "/filament/v1/suppliers/2"] == made
    listed = ask("GET", "/v1/suppliers?limit=1")
    assert "/filament/v1/suppliers?limit=1" == listed.get_json()["next"].partition("&")[0]
    assert f'<{listed.get_json()["next"]}>; rel="next"' == listed.headers["Link"]
    assert "/filament/problems/not-found" == ask("GET", "/v1/lots/999").get_json()["type"]
