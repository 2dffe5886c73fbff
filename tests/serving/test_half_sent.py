"""Incomplete requests get an answer, give way, and block no other client."""

from __future__ import annotations

import json
import socket
from contextlib import ExitStack
from pathlib import Path

import pytest

from lots.settings import Settings
from tests.serving.served import (
    HELLO,
    PATIENCE_S,
    Dripping,
    application,
    connect,
    exchange,
    one,
    rest,
    served,
    statuses,
)
from tests.trust.serving import Client, Server, add_token, deliver, furnish

HEAD = b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
BODY = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4000000\r\n\r\n"
KEPT = HELLO.replace(b"close", b"keep-alive")
CHUNKS = b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
ONE = ["127.0.0.1"]
MANY = [f"127.0.0.{number}" for number in range(2, 252)]


def problem(answer: bytes, status: int, slug: str) -> None:
    """Checks a problem document of the server itself, with the security headers."""
    head, _, body = answer.partition(b"\r\n\r\n")
    lines = head.decode().split("\r\n")
    assert [status] == statuses(answer)
    assert {"Content-Type: application/problem+json", "Connection: close", "X-Content-Type-Options: nosniff"} <= {
        *lines
    }
    assert f"Content-Length: {len(body)}" in lines
    assert 1 == sum(line.startswith("Date: ") for line in lines)
    said = json.loads(body)
    assert (status, f"/problems/{slug}") == (said["status"], said["type"])
    assert f"X-Request-Id: {said['request_id']}" in lines
    assert said["detail"]


@pytest.mark.parametrize(
    ("begin", "addresses"),
    [
        pytest.param(HEAD, ONE * 130, id="130 heads"),
        pytest.param(BODY, ONE * 130, id="130 bodies"),
        pytest.param(CHUNKS, ONE * 130, id="130 bodies in chunks"),
        pytest.param(HEAD, ONE * 1_000, id="1000 heads"),
        pytest.param(HEAD, MANY * 4, id="1000 heads from 250 addresses"),
        pytest.param(BODY, MANY * 4, id="1000 bodies from 250 addresses"),
    ],
)
def test_dripping_connections_do_not_silence_the_server(begin: bytes, addresses: list[str]) -> None:
    """While connections drip, whole requests are answered, from the same address and another."""
    with served() as port, Dripping(port, addresses, begin):
        for address in ("127.0.0.1", "127.0.0.254") * 5:
            assert [200] == statuses(exchange(port, HELLO, address))


@pytest.mark.parametrize("begin", [HEAD, BODY, CHUNKS], ids=["head", "body", "chunks"])
def test_bytes_do_not_renew_a_deadline(begin: bytes) -> None:
    """A begun request ends with 408, however often a byte arrives."""
    with served(head_s=0.3, body_s=0.3, rate=1e6) as port, connect(port) as line:
        line.sendall(begin)
        line.settimeout(0.02)
        answer = b""
        while not answer:
            try:
                answer = line.recv(65_536)
            except TimeoutError:
                line.sendall(b"x")
        line.settimeout(PATIENCE_S)
        problem(answer + rest(line), 408, "timed-out")


def test_a_slow_upload_arrives() -> None:
    """A body can exceed its first deadline at the minimum rate."""
    with served(body_s=0.2, rate=20_000) as port, connect(port) as line:
        line.sendall(BODY.replace(b"4000000", b"400000").replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n"))
        line.settimeout(0.1)
        for _ in range(10):
            line.sendall(b"x" * 36_000)
            with pytest.raises(TimeoutError):
                line.recv(1)
        # The last piece is sent after five times the first deadline.
        line.settimeout(PATIENCE_S)
        line.sendall(b"x" * 40_000)
        assert rest(line).endswith(b"/ 400000 127.0.0.1")


def test_the_oldest_of_an_address_gives_way() -> None:
    """The oldest unfinished request of an address gives way with an answer, and other addresses keep theirs."""
    with served(unfinished_per_address=3) as port, ExitStack() as kept:
        other = kept.enter_context(connect(port, "127.0.0.2"))
        other.sendall(HEAD)
        lines = []
        for _ in range(5):
            lines.append(kept.enter_context(connect(port)))
            lines[-1].sendall(HEAD)
            # After this response the server has read all earlier bytes.
            assert [200] == statuses(exchange(port, HELLO, "127.0.0.3"))
        problem(rest(lines[0]), 503, "busy")
        problem(rest(lines[1]), 503, "busy")
        for line in (*lines[2:], other):
            line.sendall(b"y\r\nConnection: close\r\n\r\n")
            assert [200] == statuses(rest(line))


def test_the_proxy_has_no_limit_of_its_own() -> None:
    """The named proxy has no limit per address; the total is bounded."""
    settings = Settings(threads=1, proxy="127.0.0.1")
    with served(application, settings, unfinished_per_address=3, unfinished=6) as port, ExitStack() as kept:
        lines = [kept.enter_context(connect(port)) for _ in range(7)]
        for line in lines:
            line.sendall(HEAD)
            assert [200] == statuses(exchange(port, HELLO, "127.0.0.3"))
        problem(rest(lines[0]), 503, "busy")
        for line in lines[1:]:
            line.sendall(b"y\r\nConnection: close\r\n\r\n")
            assert [200] == statuses(rest(line))


def test_idle_connections_make_room() -> None:
    """The oldest idle connections give way to new ones, and the newest still work."""
    with served(connections=10) as port, ExitStack() as kept:
        lines = []
        for _ in range(40):
            lines.append(kept.enter_context(connect(port)))
            lines[-1].sendall(KEPT)
            assert [200] == statuses(one(lines[-1]))
        assert [200] == statuses(exchange(port, HELLO, "127.0.0.2"))
        assert b"" == rest(lines[0])
        lines[-1].sendall(HELLO)
        assert [200] == statuses(rest(lines[-1]))


def test_silent_and_idle_connections_are_closed_without_a_word() -> None:
    """A silent connection is closed before its first request and after its last."""
    with served(head_s=0.2, idle_s=0.4) as port:
        with connect(port) as line:
            assert b"" == rest(line)
        with connect(port) as line:
            line.sendall(KEPT)
            assert [200] == statuses(rest(line))


def test_empty_lines_are_no_requests() -> None:
    """Empty lines keep no connection open."""
    with served() as port:
        assert b"" == exchange(port, b"\r\n\r\n" * 2)
        assert [200] == statuses(exchange(port, b"\r\n" + HELLO))


def test_urgent_data_ends_a_connection() -> None:
    """Urgent data ends a connection."""
    with served() as port, connect(port) as line:
        line.send(b"!", socket.MSG_OOB)
        assert b"" == rest(line)


def test_a_shop_goes_on_while_somebody_drips(tmp_path: Path) -> None:
    """`lots serve` as a process answers people while 1,000 connections drip."""
    url = f"sqlite:///{tmp_path / 'shop.sqlite3'}"
    token = add_token(url, "Hester")
    server = Server.start(url)
    try:
        with Dripping(server.port, ONE * 500 + MANY * 2, HEAD):
            clerk = Client(server.port, token)
            whose = furnish(clerk)
            assert 201 == deliver(clerk, whose, "QW-71", 3)[0]
            clerk.close()
            assert [200] == statuses(exchange(server.port, HELLO.replace(b" / ", b" /healthz "), "127.0.0.254"))
    finally:
        server.kill()
