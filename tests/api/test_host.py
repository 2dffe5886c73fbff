"""The `Host` header: exactly one and valid, and repeated in no answer unless it is this machine's."""

from __future__ import annotations

import json
import socket
from dataclasses import replace

import pytest

from lots.api.http.throttle import HEADERS
from lots.app import create_app
from lots.settings import BadSettings, Settings, load_settings
from tests.api.refusals import refused
from tests.serving.served import exchange, served, statuses

pytestmark = pytest.mark.parametrize("engine", ["sqlite"])

FOREIGN = "evil.example"
RIGHT = ("lots.example", "LOTS.example.:8080", "192.0.2.7:80", "[2001:db8::1]:8080", "[::1]", "a_b-c~d", "a%20b", "x:")
WRONG = (
    "",
    "a b",
    "a,b",
    "a, b",
    "a;b",
    "a/b",
    "a?b",
    "a#b",
    "user@a",
    "a:b",
    "a:80:80",
    "a:65536",
    "a:-1",
    ":80",
    "[::1",
    "::1",
    "[::g]",
    "[fe80::1%25eth0]",
    "[]",
    "a%2",
    "a\\b",
    "ä",
    "x" * 256,
)


def test_a_host_with_or_without_a_port_is_taken(shop):
    """Names, IPv4 and IPv6 addresses are accepted, with or without a port."""
    assert {200} == {shop.client.get("/healthz", headers={"Host": host}).status_code for host in RIGHT}


@pytest.mark.parametrize("path", ["/healthz", "/", "/v1/lots", "/nowhere", "/v1//lots"])
def test_what_is_no_host_is_refused(shop, path):
    """An invalid host is refused, also two hosts joined by a comma."""
    for host in WRONG:
        answer = shop.client.get(path, headers={"Host": host})
        body = refused(answer, 400, "malformed", [])
        assert "Host" in body["detail"]
        assert HEADERS == {name: answer.headers.get(name) for name in HEADERS}


def test_none_and_two_are_refused_over_a_socket(app):
    """HTTP/1.1 requires one Host; HTTP/1.0 accepts none and refuses two."""
    asked = "GET /readyz HTTP/{}\r\n{}Connection: close\r\n\r\n"
    cases = {
        ("1.1", ""): 400,
        ("1.1", "Host: a\r\nHost: a\r\n"): 400,
        ("1.1", "Host: a\r\nHost:\r\n"): 400,
        ("1.1", "Host: a\r\n b\r\n"): 400,
        ("1.1", "Host: a\r\n"): 200,
        ("1.0", ""): 200,
        ("1.0", "Host: a\r\nHost: b\r\n"): 400,
    }
    with served(app) as port:
        for (version, hosts), status in cases.items():
            answer = exchange(port, asked.format(version, hosts).encode())
            assert [status] == statuses(answer)
            if status == 400:
                assert "/problems/malformed" == json.loads(answer.partition(b"\r\n\r\n")[2])["type"]


def test_no_answer_repeats_a_foreign_host(shop):
    """No GET answer, as JSON, page, picture, PDF or redirect, contains a foreign host."""
    lot = shop.receive(shop.supplier("QWT"), shop.grade(), "QW-71", 2)
    code, number = lot["spools"][0]["code"], lot["id"]
    paths = [rule.rule for rule in shop.app.url_map.iter_rules() if "GET" in rule.methods and "<" not in rule.rule]
    paths += [f"/v1/spools/{code}/label", f"/v1/deliveries/{number}/labels", f"/deliveries/{number}/labels"]
    paths += [
        f"/spools/{code}",
        "/v1//lots",
        "/docs//start.js",
        "//v1//lots",
        "/v1/lots?limit=1",
        "/nowhere",
        "/v1/lots/9",
    ]
    client = shop.app.test_client()
    signed = client.post("/sign-in", data={"token": shop.tokens["admin"]}, headers={"Host": FOREIGN})
    assert FOREIGN not in f"{signed.headers}{signed.get_data(as_text=True)}"
    for path in paths:
        for accept in ("application/json", "text/html", "image/svg+xml", "text/csv"):
            headers = {"Host": FOREIGN, "Accept": accept, "Authorization": f"Bearer {shop.tokens['admin']}"}
            with client.get(path, headers=headers) as answer:
                said = f"{answer.headers}{answer.get_data().decode('utf-8', 'replace')}"
                assert FOREIGN not in said, path


def test_a_redirect_of_the_router_leads_to_a_path(shop):
    """Doubled slashes redirect to a path without a host."""
    for path, to in (("/v1//lots?limit=2", "/v1/lots?limit=2"), ("/docs//start.js", "/docs/start.js")):
        answer = shop.client.get(path, headers={"Host": FOREIGN})
        assert (308, to) == (answer.status_code, answer.headers["Location"])


@pytest.fixture
def code(shop):
    """A spool."""
    return shop.receive(shop.supplier("QWT"), shop.grade(), "QW-71", 1)["spools"][0]["code"]


def label(shop, code, host, scheme="http", **where):
    """The address on a label requested under this name, from a server that listens at 192.0.2.7:8080."""
    given = {"SERVER_NAME": "192.0.2.7", "SERVER_PORT": "8080", "wsgi.url_scheme": scheme, **where}
    headers = {"Host": host, "Authorization": f"Bearer {shop.tokens['admin']}"}
    answer = shop.client.get(f"/v1/spools/{code}/label", headers=headers, environ_overrides=given)
    assert 200 == answer.status_code
    return answer.get_json()["url"].partition("/spools/")[0]


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1:8080",
        "203.0.113.9",
        "[2001:db8::1]:8080",
        "localhost",
        "LocalHost:8080",
        socket.gethostname().lower(),
    ],
)
def test_a_name_of_this_machine_counts(shop, code, host):
    """An address, localhost and the machine's own name are accepted as hosts."""
    assert f"http://{host}" == label(shop, code, host)


@pytest.mark.parametrize("host", [FOREIGN, f"{FOREIGN}:8080", f"localhost.{FOREIGN}", "127.0.0.1.evil.example"])
def test_any_other_name_gives_way_to_the_address_of_the_server(shop, code, host):
    """Another name is replaced by the address that received the request."""
    assert "http://192.0.2.7:8080" == label(shop, code, host)
    assert "http://[2001:db8::7]:8080" == label(shop, code, host, SERVER_NAME="2001:db8::7%eth0")
    assert "https://192.0.2.7" == label(shop, code, host, "https", SERVER_PORT="443")
    assert "http://192.0.2.7:8080/filament" == label(shop, code, host, SCRIPT_NAME="/filament")


def test_the_name_that_the_server_listens_at_counts(shop, code, monkeypatch):
    """The setting `host` can be a name."""
    monkeypatch.setitem(shop.app.config, "LISTENS_AT", "Lots.Example")
    assert "http://lots.example:8080" == label(shop, code, "lots.example:8080")


@pytest.mark.parametrize("site", ["https://lots.example/filament", "https://lots.example/filament/"])
def test_the_site_of_the_settings_counts_before_all(settings_and_tokens, shop, code, site):
    """Labels use the setting `site` before the host of the request."""
    settings, _ = settings_and_tokens
    app = create_app(replace(settings, site=site))
    shop.app, shop.client = app, app.test_client()
    assert {"https://lots.example/filament"} == {
        label(shop, code, host) for host in (FOREIGN, "localhost", "127.0.0.1")
    }


def test_over_a_socket_the_address_is_the_one_that_was_connected_to(shop, app, code):
    """The application receives the address of the connection."""
    asked = (
        f"GET /v1/spools/{code}/label HTTP/1.1\r\nHost: {FOREIGN}\r\nAuthorization: Bearer {shop.tokens['admin']}\r\n"
    )
    with served(app) as port:
        answer = exchange(port, f"{asked}Connection: close\r\n\r\n".encode())
        assert f"http://127.0.0.1:{port}/spools/" in answer.decode()


@pytest.mark.parametrize(
    "site", ["https://lots.example", "http://192.0.2.7:8080", "https://[2001:db8::1]/a-b/c", "none"]
)
def test_a_site_is_an_address(engine, site):
    """A site is an address, with or without a path."""
    assert site == load_settings({"LOTS_SITE": site}).site


@pytest.mark.parametrize(
    "site",
    [
        "",
        "lots.example",
        "ftp://lots.example",
        "https://",
        "https://user@lots.example",
        "https://lots.example/?q",
        "https://lots.example/#f",
        "https://lots.example:99999",
        "https://[::g]",
        "https://a b",
        "javascript:alert(1)",
    ],
)
def test_what_is_no_address_is_refused(engine, site):
    """An invalid site is refused with the setting and a valid form."""
    with pytest.raises(BadSettings, match=r"site is .*https://lots\.example/filament"):
        Settings(site=site)
