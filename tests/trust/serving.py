"""Real servers on a real database for the harnesses of this folder."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

CONDITIONS = {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included"}
MEASURED = "2026-11-20T11:00:00Z"
LIMITS = {"sampling": {"fixed": 1}, "diameter": {"mean_tolerance_mm": 0.05, "readings_per_spool_min": 1}}
PATIENCE_S = 30.0


class Gone(Exception):
    """The server was absent or left before its answer, so its action is unknown."""


class NotThere(Gone):
    """No server listens, so the request was never sent."""


# Receivers of the harnesses are on this machine, which a webhook may reach only where the settings say so.
SETTINGS = {
    "LOTS_HOST": "127.0.0.1",
    "LOTS_WEBHOOK_NETWORKS": "127.0.0.0/8",
    "LOTS_LOG_LEVEL": "error",
    "LOTS_THREADS": "4",
}


@dataclass
class Server:
    """`lots serve`, or gunicorn with several workers, as processes."""

    url: str
    port: int
    process: subprocess.Popen[bytes] = field(repr=False)

    @classmethod
    def start(cls, url: str, port: int | None = None, workers: int = 1) -> Server:
        """Starts one on a database and waits until it answers. Several workers need gunicorn and PostgreSQL."""
        port = port or free_port()
        command = [sys.executable, "-c", "from lots.cli import main; main()", "serve"]
        if workers > 1:
            command = [sys.executable, "-m", "gunicorn", "-c", "python:lots.gunicorn_conf", "--workers", str(workers)]
        named = {**SETTINGS, "LOTS_DATABASE": url, "LOTS_PORT": str(port)}
        process = subprocess.Popen(
            command,
            env={**os.environ, **named},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        server = cls(url, port, process)
        until = time.monotonic() + PATIENCE_S
        caller = Client(port, "")
        while time.monotonic() < until:
            try:
                if caller.ask("GET", "/healthz")[0] == 200:
                    caller.close()
                    return server
            except Gone:
                time.sleep(0.02)
            if process.poll() is not None:
                break
        server.kill()
        raise RuntimeError("the server does not answer")

    def kill(self) -> None:
        """Ends it and all workers with SIGKILL."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def kill_worker(self, chance: random.Random) -> None:
        """Ends one worker at once; another replaces it."""
        with contextlib.suppress(ProcessLookupError):
            if workers := children_of(self.process.pid):
                os.kill(chance.choice(workers), signal.SIGKILL)


def children_of(number: int) -> list[int]:
    """Child processes of a process (Linux)."""
    listed = Path(f"/proc/{number}/task/{number}/children").read_text("ascii")
    return [int(part) for part in listed.split()]


def free_port() -> int:
    """A free port."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Client:
    """One person's persistent connection."""

    def __init__(self, port: int, token: str) -> None:
        self.port, self.token = port, token
        self.line: http.client.HTTPConnection | None = None

    def ask(self, method: str, path: str, body: Any = None, key: str | None = None) -> tuple[int, Any]:
        """Sends one request and returns status and answer.

        Raises:
            Gone: no whole answer came.
        """
        headers = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        if body is not None:
            headers["Content-Type"] = "application/json"
        if key:
            headers["Idempotency-Key"] = key
        try:
            if self.line is None:
                self.line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
            self.line.request(method, path, None if body is None else json.dumps(body), headers)
            answer = self.line.getresponse()
            text = answer.read()
        except ConnectionRefusedError as error:
            self.close()
            raise NotThere(str(error)) from error
        except (OSError, http.client.HTTPException) as error:
            self.close()
            raise Gone(str(error)) from error
        return answer.status, json.loads(text) if answer.getheader("Content-Type", "").endswith("json") else text

    def close(self) -> None:
        """Closes the connection."""
        if self.line is not None:
            self.line.close()
            self.line = None

    def must(self, method: str, path: str, body: Any = None) -> Any:
        """The answer, which must be a success."""
        status, answer = self.ask(method, path, body)
        if status >= 300:
            raise AssertionError(f"{method} {path} answered {status}: {answer}")
        return answer


def add_token(url: str, name: str, role: str = "admin") -> str:
    """A token from the command."""
    command = [sys.executable, "-c", "from lots.cli import main; main()", "token", "add", name, "--role", role]
    done = subprocess.run(command, env={**os.environ, "LOTS_DATABASE": url}, capture_output=True, text=True, check=True)
    return done.stdout.strip()


def furnish(client: Client) -> dict[str, int]:
    """A supplier and a grade with limits satisfied by one reading."""
    supplier = client.must("POST", "/v1/suppliers", {"code": "QWT", "name": "Quillwort Extrusion"})
    grade = client.must(
        "POST",
        "/v1/grades",
        {
            "code": "PLA-HW-175",
            "polymer": "PLA",
            "color_name": "Harbour White",
            "finish": "satin",
            "filler": "none",
            "nominal_diameter_mm": 1.75,
            "density_g_cm3": 1.24,
        },
    )
    client.must("POST", f"/v1/grades/{grade['id']}/limits", LIMITS)
    return {"supplier_id": supplier["id"], "grade_id": grade["id"]}


def deliver(client: Client, whose: dict[str, int], number: str, spools: int, key: str | None = None) -> tuple[int, Any]:
    """A delivery of a new lot."""
    body = {**whose, "supplier_lot": number, "received_at": "2026-11-20T08:00:00Z"}
    return client.ask("POST", "/v1/deliveries", {**body, "spool_count": spools, "net_mass_g": 1000}, key)


@contextmanager
def database(server_url: str | None, folder: Path) -> Iterator[str]:
    """An empty database: a file in `folder`, or one of its own on a PostgreSQL server."""
    if server_url is None:
        yield f"sqlite:///{folder / 'shop.sqlite3'}"
        return
    import psycopg

    name = f"lots_trust_{os.getpid()}_{threading.get_ident() % 10_000}"
    with psycopg.connect(server_url, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    try:
        yield f"{server_url.rpartition('/')[0]}/{name}"
    finally:
        with psycopg.connect(server_url, autocommit=True) as admin:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")
