"""`/healthz` answers with the application's answer while all worker threads are busy."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest
from flask import Flask

from lots import __version__
from lots.api.http import logs
from lots.settings import Settings
from tests.serving.served import HELLO, connect, exchange, one, served, statuses
from tests.shop import Shop

FRESH_APP = True
pytestmark = pytest.mark.parametrize("engine", ["sqlite"])

THREADS = 2
ALIVE = HELLO.replace(b" / ", b" /healthz ")
ALIVE_NOW = b'{"status": "alive", "version": "%s"}\n' % __version__.encode()
KEPT = ALIVE.replace(b"close", b"keep-alive")
STUCK = HELLO.replace(b" / ", b" /stuck ").replace(b"close", b"keep-alive")


@pytest.fixture
def stuck(app: Flask) -> Iterator[int]:
    """The port of the application with all threads waiting, and a queue."""
    free, waiting = threading.Event(), threading.Semaphore(0)

    def wait() -> str:
        waiting.release()
        free.wait(30)
        return "free"

    app.add_url_rule("/stuck", view_func=wait)
    with _all_stuck(app, waiting, free) as port:
        yield port


@contextmanager
def _all_stuck(app: Flask, waiting: threading.Semaphore, free: threading.Event) -> Iterator[int]:
    with served(app, Settings(threads=THREADS)) as port, ExitStack() as kept:
        try:
            for _ in range(3 * THREADS):
                kept.enter_context(connect(port)).sendall(STUCK)
            for _ in range(THREADS):
                assert waiting.acquire(timeout=30)
            yield port
        finally:
            free.set()
            for _ in range(2 * THREADS):
                waiting.acquire(timeout=30)


def parts(answer: bytes) -> tuple[bytes, dict[str, str], bytes]:
    """Status line, stable headers and body of an answer."""
    head, _, body = answer.partition(b"\r\n\r\n")
    first, *lines = head.split(b"\r\n")
    headers = dict(line.decode().split(": ", 1) for line in lines)
    assert headers.pop("X-Request-Id")
    assert headers.pop("Date")
    headers.pop("Connection", None)
    return first, headers, body


def test_the_server_answers_while_every_thread_is_busy(stuck: int) -> None:
    """GET and HEAD are answered on a new connection and again on the same one."""
    assert ALIVE_NOW == parts(exchange(stuck, ALIVE))[2]
    with connect(stuck) as line:
        for _ in range(3):
            line.sendall(KEPT)
            assert one(line).endswith(ALIVE_NOW)
        line.sendall(ALIVE.replace(b"GET", b"HEAD"))
        head = line.recv(1 << 16)
        assert [200] == statuses(head)
        assert b"Content-Length: %d\r\n" % len(ALIVE_NOW) in head
        assert head.endswith(b"\r\n\r\n")
        assert b"" == line.recv(1)


@pytest.mark.parametrize("method", [b"GET", b"HEAD"])
def test_it_is_the_answer_of_the_application(app: Flask, method: bytes) -> None:
    """Status, headers and body are those of the application."""
    asked = ALIVE.replace(b"GET", method)
    with served(app) as port:
        given = exchange(port, asked)
    app.extensions.pop("count_request")
    with served(app) as port:
        assert parts(exchange(port, asked)) == parts(given)


def test_answers_keep_their_order_behind_a_request_that_is_stuck(stuck: int) -> None:
    """Behind another request on the same connection it waits for that answer."""
    with connect(stuck) as line:
        line.sendall(STUCK + KEPT)
        line.settimeout(0.3)
        with pytest.raises(TimeoutError):
            line.recv(1)
        # Before another request, its response is first.
    with connect(stuck) as line:
        line.sendall(KEPT + KEPT + STUCK)
        assert one(line).endswith(ALIVE_NOW)
        assert one(line).endswith(ALIVE_NOW)
        line.settimeout(0.3)
        with pytest.raises(TimeoutError):
            line.recv(1)


def test_it_is_logged_and_counted_like_any_request(app: Flask, shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    """Its log line has the client's id, and /metrics counts it."""
    logs.set_up("json", "info")
    with served(app) as port:
        exchange(port, ALIVE.replace(b"\r\n\r\n", b"\r\nX-Request-Id: probe-0001\r\n\r\n"))
    (line,) = [json.loads(text) for text in capsys.readouterr().err.splitlines() if "probe-0001" in text]
    assert ("GET", "/healthz", 200, None, len(ALIVE_NOW)) == tuple(
        line[name] for name in ("method", "route", "status", "person", "bytes")
    )
    shown = shop.client.get("/metrics", headers={"Authorization": f"Bearer {shop.tokens['admin']}"}).get_data(
        as_text=True
    )
    assert 'lots_requests_total{method="GET",route="/healthz",status="2xx"} 1.0' in shown


def test_a_wrong_host_is_refused_here_too(app: Flask) -> None:
    """A missing, repeated or malformed Host is refused here too."""
    with served(app) as port:
        for wrong in (b"", b"Host: a\r\nHost: b\r\n", b"Host: a/b\r\n", b"Host: \r\n"):
            assert [400] == statuses(exchange(port, ALIVE.replace(b"Host: localhost\r\n", wrong)))
        assert [200] == statuses(exchange(port, ALIVE.replace(b"1.1\r\nHost: localhost\r\n", b"1.0\r\n")))
