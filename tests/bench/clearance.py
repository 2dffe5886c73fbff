"""CPU of one clearance, whole and by part, compared with a bare Flask route that answers JSON of the same size."""

from __future__ import annotations

import io
import json
import logging
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask, jsonify
from werkzeug.test import EnvironBuilder

from lots import demo
from lots.store.engine import database

ROUNDS, REQUESTS = 9, 150
SPOOL = "HW-Q12-2"


def run() -> None:
    """Prints the ratio of each to the bare route, the median of alternated rounds with their spread."""
    with tempfile.TemporaryDirectory() as folder:
        app, tokens, _ = demo.build(Path(folder))
        # The lines of the log are written, as they are in use, but not to the screen.
        for name in ("lots", "waitress"):
            logging.getLogger(name).handlers[0] = Kept(logging.getLogger(name).handlers[0])
        said = asker(app, f"/v1/spools/{SPOOL}/clearance?use=cosmetic", tokens["production"])
        answer = json.loads(said())
        bare = Flask("bare")
        bare.get("/v1/spools/<code>/clearance")(lambda code: jsonify(answer))
        ways: dict[str, Callable[[], bytes]] = {
            "bare Flask route": asker(bare, f"/v1/spools/{SPOOL}/clearance?use=cosmetic"),
            "clearance without a job": said,
            "clearance for a job": asker(
                app, f"/v1/spools/{SPOOL}/clearance?use=cosmetic&job=J-1045", tokens["production"]
            ),
            "no token: refused": asker(app, f"/v1/spools/{SPOOL}/clearance?use=cosmetic"),
            "a path that is not there": asker(app, "/v1/nothing"),
        }
        taken: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(ROUNDS):
            for name, ask in ways.items():
                taken[name].append(cpu_s(ask))
        database.close()
    floor = taken["bare Flask route"]
    sys.stdout.write(f"{'':28}{'us CPU':>8}{'x bare':>8}   spread\n")
    for name, each in taken.items():
        ratios = sorted(one / base for one, base in zip(each, floor, strict=True))
        middle = statistics.median(ratios)
        sys.stdout.write(
            f"{name:28}{1e6 * statistics.median(each):8.0f}{middle:8.2f}   {ratios[0]:.2f}-{ratios[-1]:.2f}\n"
        )


class Kept(logging.StreamHandler[io.StringIO]):
    """Formats every line as the server does, and keeps it off the screen."""

    def __init__(self, shown: logging.Handler) -> None:
        super().__init__(io.StringIO())
        self.setFormatter(shown.formatter)


def asker(app: Flask, path: str, token: str | None = None) -> Callable[[], bytes]:
    """Returns a function that sends one request to a WSGI application, as a server would, and returns the body."""
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    plain = EnvironBuilder(path=path, base_url="http://127.0.0.1:8080", headers=headers).get_environ()

    def start(_status: str, _headers: Any, _error: Any = None) -> Callable[[bytes], object]:
        return lambda _: None

    def ask() -> bytes:
        body = app.wsgi_app(dict(plain), start)
        text = b"".join(body)
        body.close()
        return text

    return ask


def cpu_s(ask: Callable[[], bytes]) -> float:
    """CPU of one request, s, the mean of many."""
    began = time.process_time()
    for _ in range(REQUESTS):
        ask()
    return (time.process_time() - began) / REQUESTS
