"""Addresses of webhooks: no internal address in any form, and connections to the checked address."""

import ipaddress
import socket
import threading

import pytest

from lots.services.documents import webhook_addresses, webhook_requests
from lots.services.documents.webhook_addresses import NotAllowed
from lots.services.documents.webhook_requests import Message
from tests.api.refusals import hints, refused, send
from tests.receiver import HERE
from tests.store.rows import contents

INSIDE = [
    *("127.0.0.1", "127.8.9.1", "0.0.0.0", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254", "100.64.0.1"),  # noqa: S104  # not bound to
    *(
        "224.0.0.1",
        "240.0.0.1",
        "255.255.255.255",
        "192.0.2.1",
        "198.18.0.1",
        "2130706433",
        "127.1",
        "0x7f.1",
        "017700000001",
    ),
    *(
        "[::1]",
        "[::]",
        "[fe80::1]",
        "[fc00::1]",
        "[fd12:3456::1]",
        "[ff02::1]",
        "[::ffff:127.0.0.1]",
        "[::ffff:10.0.0.1]",
    ),
    *(
        "[64:ff9b::7f00:1]",
        "[64:ff9b::a00:1]",
        "[2002:7f00:1::]",
        "[::7f00:1]",
        "[fec0::1]",
        "[2001:db8::1]",
        "[100::1]",
    ),
    *("localhost", "LOCALHOST", "shop.localhost"),
]


@pytest.mark.parametrize("engine", ["sqlite"])
def test_an_internal_address_is_refused_however_it_is_written(shop):
    """An internal address is refused in every form, with the setting that would allow it, and nothing is stored."""
    before = contents()
    for host in INSIDE:
        for url in (f"http://{host}/", f"https://{host}:8443/x"):
            answer = send(shop, "POST", "/v1/webhooks", f'{{"url": "{url}"}}')
            assert "LOTS_WEBHOOK_NETWORKS" in hints(refused(answer, 422, "invalid", ["/url"])), url
    assert before == contents()


@pytest.mark.parametrize("engine", ["sqlite"])
@pytest.mark.parametrize(
    "url",
    [
        *("ftp://example.org/", "file:///etc/passwd", "example.org", "//example.org/", "http://", "https:///x"),
        *("http://user@example.org/", "http://a:b@example.org/", "http://example.org/#x", "http://exa mple.org/"),
        *(
            "http://example.org:0x50/",
            "http://example.org:99999/",
            "http://[::1/",
            "http://exämple.org/",
            "http://a\\\\b/",
        ),
    ],
)
def test_what_is_no_address_is_refused(shop, url):
    """An invalid address is refused with the reason."""
    refused(send(shop, "POST", "/v1/webhooks", f'{{"url": "{url}"}}'.encode()), 422, "invalid", ["/url"])


@pytest.mark.parametrize("address", ["8.8.8.8", "2606:4700::1111", "::ffff:8.8.8.8", "64:ff9b::808:808"])
def test_public_addresses_are_allowed(address):
    """Public IPv4 and IPv6 addresses are accepted."""
    assert webhook_addresses.allowed(ipaddress.ip_address(address), ())


def resolving(monkeypatch, *answers):
    """Sets the name server's answers in order, the last one permanently."""
    left, asked = list(answers), []
    real = socket.getaddrinfo

    def resolved(host, port, *args, flags=0, **kwargs):
        if host != "hooks.example.org" or flags & socket.AI_NUMERICHOST:
            return real(host, port, *args, flags=flags, **kwargs)
        asked.append(host)
        addresses = left.pop(0) if len(left) > 1 else left[0]
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port)) for address in addresses]

    monkeypatch.setattr(socket, "getaddrinfo", resolved)
    return asked


def test_a_name_with_one_internal_address_is_refused(monkeypatch):
    """A name with one internal address is refused, though others are public."""
    resolving(monkeypatch, ["93.184.216.34", "10.0.0.5"])
    outcome = webhook_requests.send("https://hooks.example.org/", "whsec_AAAA", Message("m", b"{}"), (), 0)
    assert (None, False) == (outcome.status, outcome.delivered)
    assert "hooks.example.org has the internal address 10.0.0.5" in outcome.error


def test_the_connection_is_made_to_the_address_that_was_checked(monkeypatch, receiver):
    """The connection uses the checked address without a second look-up."""
    asked = resolving(monkeypatch, ["127.0.0.1"], ["127.0.0.99"])
    url = f"http://hooks.example.org:{receiver.port}/in"
    outcome = webhook_requests.send(url, "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    assert outcome.delivered
    assert ["hooks.example.org"] == asked
    assert f"hooks.example.org:{receiver.port}" == receiver.got[0].headers["host"]


def test_a_name_server_that_says_nothing_ends_the_attempt(monkeypatch, soon):
    """A silent name server ends the attempt within the deadline."""
    let_go = threading.Event()
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_args, **_named: [] if let_go.wait(20) else None)
    outcome = webhook_requests.send("http://hooks.example.org/", "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    let_go.set()
    assert "The receiver did not answer within 0 s." == outcome.error
    assert outcome.seconds < 10


def test_proxies_of_the_environment_are_not_used(monkeypatch, receiver):
    """Proxies of the environment are ignored."""
    for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9/")
    assert webhook_requests.send(receiver.url, "whsec_AAAA", Message("m", b"{}"), HERE, 0).delivered


def test_a_certificate_that_nobody_vouches_for_is_refused(receiver):
    """An untrusted certificate and a receiver without TLS are refused."""
    url = receiver.url.replace("http://", "https://")
    outcome = webhook_requests.send(url, "whsec_AAAA", Message("m", b"{}"), HERE, 0)
    assert "TLS failed" in outcome.error
    assert [] == receiver.got


def test_a_url_that_was_stored_before_the_rules_is_refused_when_sent():
    """A stored address is checked again before sending."""
    with pytest.raises(NotAllowed):
        webhook_addresses.target_of("gopher://example.org/")
    outcome = webhook_requests.send("gopher://example.org/", "whsec_AAAA", Message("m", b"{}"), (), 0)
    assert not outcome.delivered
