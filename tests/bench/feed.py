"""CPU of polling the feed, of a page's request for the red bar, and of recording a change, compared with /healthz."""

from __future__ import annotations

import logging
import statistics
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from lots import demo
from lots.services import clock
from lots.services.setup import access
from lots.store import audit
from lots.store.engine import database
from tests.bench.clearance import ROUNDS, Kept, asker, cpu_s
from tests.pages.reading import sign_in


def run() -> None:
    """Prints the ratio of each to /healthz, the median of alternated rounds with their spread."""
    with tempfile.TemporaryDirectory() as folder:
        app, tokens, _ = demo.build(Path(folder))
        for name in ("lots", "waitress"):
            logging.getLogger(name).handlers[0] = Kept(logging.getLogger(name).handlers[0])
        database.connect()
        token = access.add_token("a program", "integration")
        database.disconnect()
        latest = (
            app.test_client()
            .get("/v1/changes?after=latest", headers={"Authorization": f"Bearer {token}"})
            .get_json()["after"]
        )
        page = app.test_client()
        sign_in(page, tokens["production"])
        tag = page.get("/must-come-off").headers["ETag"]
        ways: dict[str, Callable[[], bytes]] = {
            "/healthz": asker(app, "/healthz"),
            "who a token is": asker(app, "/v1/me", token),
            "feed, nothing new": asker(app, f"/v1/changes?after={latest}", token),
            "feed, 100 changes": asker(app, "/v1/changes", token),
            "red bar, nothing new": lambda: page.get("/must-come-off", headers={"If-None-Match": tag}).data,
        }
        noted: dict[str, Callable[[], bytes]] = {
            "/healthz": ways["/healthz"],
            "an entry without a change": lambda: _noted(changes=False),
            "an entry with a change": lambda: _noted(changes=True),
        }
        asked = _rounds(ways)
        # Only then: an entry with a change is news.
        written = _rounds(noted)
        database.close()
    sys.stdout.write(f"{'':28}{'us CPU':>8}{'x healthz':>11}   spread\n")
    _tell(asked)
    _tell(written)


def _rounds(ways: dict[str, Callable[[], bytes]]) -> dict[str, list[float]]:
    taken: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, ask in ways.items():
            taken[name].append(cpu_s(ask))
    return taken


def _tell(taken: dict[str, list[float]]) -> None:
    floor = taken["/healthz"]
    for name, each in taken.items():
        ratios = sorted(one / base for one, base in zip(each, floor, strict=True))
        middle = statistics.median(ratios)
        sys.stdout.write(
            f"{name:28}{1e6 * statistics.median(each):8.0f}{middle:11.2f}   {ratios[0]:.2f}-{ratios[-1]:.2f}\n"
        )


def _noted(*, changes: bool) -> bytes:
    told = {"kind": "instrument.due", "instrument_id": 1, "instrument_code": "MIC-1", "before": None, "after": {}}
    database.connect()
    with database.transaction():
        audit.note(None, "instrument due", "a bench", clock.now(), {}, changes=[told] if changes else [])
    database.disconnect()
    return b""
