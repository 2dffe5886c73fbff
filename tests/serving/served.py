"""A small application on the server of `lots serve`, and clients on bare sockets."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

from lots.server import create_server
from lots.serving.places import Limits
from lots.settings import Settings

PATIENCE_S = 30
HELLO = b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
BIG = 1 << 20


def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> Any:
    """Returns path and body length; /big is a mebibyte at once, /stream 64 of them in sequence."""
    body = environ["wsgi.input"].read()
    start_response("200 OK", [("Content-Type", "text/plain")])
    if environ["PATH_INFO"] == "/big":
        return [b"x" * BIG]
    if environ["PATH_INFO"] == "/stream":
        return (b"x" * BIG for _ in range(64))
    return [f"{environ['PATH_INFO']} {len(body)} {environ['REMOTE_ADDR']}".encode()]


@contextmanager
def running(app: Any = application, settings: Settings | None = None, **limits: float) -> Iterator[Any]:
    """A server of an application, by default with one worker thread and frequent checks of deadlines."""
    known = Limits(**{"tick_s": 0.05, **limits})  # type: ignore[arg-type]  # numbers of either kind
    server = create_server(app, settings or Settings(threads=1), known, host="127.0.0.1", port=0)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        with suppress(OSError):  # a worker thread may have woken the loop for this event
            server.trigger.pull_trigger(lambda: _end(server))
        thread.join(timeout=PATIENCE_S)
        server.task_dispatcher.shutdown()


@contextmanager
def served(app: Any = application, settings: Settings | None = None, **limits: float) -> Iterator[int]:
    """The port of such a server."""
    with running(app, settings, **limits) as server:
        yield server.effective_port


def _end(server: Any) -> None:
    """Closes all connections, so that the loop ends."""
    for channel in [*server.active_channels.values()]:
        channel.handle_close()
    server.close()


def connect(port: int, address: str = "127.0.0.1") -> socket.socket:
    """A connection from a local address."""
    return socket.create_connection(("127.0.0.1", port), PATIENCE_S, source_address=(address, 0))


def exchange(port: int, sent: bytes, address: str = "127.0.0.1") -> bytes:
    """The server's answer to these bytes until it closes."""
    with connect(port, address) as line:
        with suppress(OSError):  # the server may have closed before the last byte
            line.sendall(sent)
        return rest(line)


def rest(line: socket.socket) -> bytes:
    """All data until the server closes."""
    answer = []
    with suppress(ConnectionError):
        while more := line.recv(1 << 20):
            answer.append(more)
    return b"".join(answer)


def one(line: socket.socket) -> bytes:
    """One answer with a stated length, on an open connection."""
    answer = b""
    while b"\r\n\r\n" not in answer:
        answer += line.recv(1) or b"\r\n\r\n"
    for _ in range(int(answer.lower().partition(b"content-length: ")[2].partition(b"\r")[0] or 0)):
        answer += line.recv(1)
    return answer


def statuses(answer: bytes) -> list[int]:
    """The status of each answer, in order."""
    return [int(status) for status in re.findall(rb"HTTP/1\.[01] (\d{3}) [A-Z]", answer)]


class Dripping:
    """Connections that send a byte now and then, each reopened when closed."""

    def __init__(self, port: int, addresses: list[str], begin: bytes, every_s: float = 0.2) -> None:
        self._port, self._addresses, self._begin, self._every_s = port, addresses, begin, every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._drip)
        self.lines: dict[int, socket.socket] = {}
        self.again = 0

    def __enter__(self) -> Dripping:
        for number in range(len(self._addresses)):
            self._open(number)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        for line in self.lines.values():
            line.close()

    def _open(self, number: int) -> None:
        line = connect(self._port, self._addresses[number])
        line.setblocking(False)
        self.lines[number] = line
        with suppress(OSError):
            line.send(self._begin)

    def _drip(self) -> None:
        while not self._stop.is_set():
            for number in list(self.lines):
                try:
                    self.lines[number].send(b"x")
                except OSError:
                    self.again += 1
                    self.lines[number].close()
                    with suppress(OSError):
                        self._open(number)
            time.sleep(self._every_s)
