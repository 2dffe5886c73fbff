"""The whole program: gunicorn and nginx as processes, on a free port and a folder of the test."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.trust.serving import add_token, free_port

ROOT = Path(__file__).parent.parent.parent
PATIENCE_S = 120.0


@dataclass
class Served:
    """A server on a port of this machine, with its output."""

    port: int
    process: subprocess.Popen[bytes]
    log: Path
    # A unix socket in place of the port, and whether the connection is encrypted.
    socket: Path | None = None
    tls: bool = False

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, dict[str, str], Any]:
        """Sends one request on a new connection; returns status, headers and answer."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        if body is not None:
            named = {"Content-Type": "application/json", **named}
        if self.tls:
            named = {"Host": "lots.example", **named}
        line = self._line()
        sent = None if body is None else body if isinstance(body, str) else json.dumps(body)
        try:
            line.request(method, path, sent, named)
            answer = line.getresponse()
            text = answer.read()
        finally:
            line.close()
        found = json.loads(text) if answer.getheader("Content-Type", "").endswith("json") else text
        told = dict(answer.getheaders())
        # Each cookie has a header of its own; the last one alone would hide the others.
        told["Set-Cookie"] = "\n".join(answer.headers.get_all("Set-Cookie", []))
        return answer.status, told, found

    def _line(self) -> http.client.HTTPConnection:
        if self.tls:
            # The certificate is the test's own, for another name.
            trusting = ssl._create_unverified_context()  # noqa: S323  # a server of this test
            return http.client.HTTPSConnection("127.0.0.1", self.port, timeout=PATIENCE_S, context=trusting)
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        if self.socket:
            line.sock = socket.socket(socket.AF_UNIX)
            line.sock.settimeout(PATIENCE_S)
            try:
                line.sock.connect(str(self.socket))
            except OSError:
                line.sock.close()
                raise
        return line

    def wait_for(self, condition: Callable[[], bool], what: str) -> None:
        """Waits until a condition holds."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until and self.process.poll() is None:
            with suppress(OSError, http.client.HTTPException):
                if condition():
                    return
            time.sleep(0.05)
        raise AssertionError(f"{what} did not come:\n{self.log.read_text()}")

    def stop(self) -> int:
        """Stops it as a service manager does; returns its exit status."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(PATIENCE_S)


Start = Callable[..., Served]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts a command in the folder of the test with settings, and waits until it listens."""
    started: list[Served] = []

    def run(command: list[str], port: int, *, at: dict[str, Any] | None = None, **settings: str) -> Served:
        log = tmp_path / f"log-{len(started)}"
        clean = {name: value for name, value in os.environ.items() if not name.startswith(("LOTS_", "PROMETHEUS_"))}
        environment = {**clean, "PYTHONPATH": str(ROOT), **settings}
        with log.open("wb") as out:
            process = subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=out, stderr=out)
        served = Served(port, process, log, **(at or {}))
        started.append(served)
        served.wait_for(lambda: served.ask("GET", "/healthz")[0] in (200, 404), f"an answer of {command[0]}")
        return served

    yield run
    for served in started:
        if served.process.poll() is None:
            with suppress(subprocess.TimeoutExpired):
                served.stop()
            served.process.kill()
            served.process.wait()


@pytest.fixture
def gunicorn(start: Start, database_url: str) -> Start:
    """Starts gunicorn on an empty database, with options and settings."""
    pytest.importorskip("gunicorn", reason="needs gunicorn: pip install 'lots[gunicorn]'")

    def run(*options: str, **settings: str) -> Served:
        port = free_port()
        command = [sys.executable, "-m", "gunicorn", "-c", "python:lots.gunicorn_conf", *options]
        return start(command, port, LOTS_DATABASE=database_url, LOTS_PORT=str(port), **settings)

    return run


@pytest.fixture
def database_url(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database without tables, of each engine in turn."""
    if engine == "sqlite":
        yield f"sqlite:///{tmp_path / 'shop.sqlite3'}"
        return
    server = request.getfixturevalue("postgres_url")
    import psycopg

    name = f"lots_served_{os.getpid()}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    yield f"{server.rpartition('/')[0]}/{name}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def token(database_url: str) -> Callable[[str], str]:
    """Makes a token for a role."""
    return lambda role: add_token(database_url, f"{role} person", role)


@pytest.fixture
def nginx() -> str:
    """The path of nginx."""
    found = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin:/usr/local/sbin")
    if not found:
        pytest.skip("needs nginx on the path")
    return found
