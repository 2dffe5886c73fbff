"""1,000 diameter readings, as a list and as columns, from body to durable assessed rows, compared with a bare `executemany` of the same rows."""

from __future__ import annotations

import json
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from lots.app import create_app
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from tests.shop import MEASURED, SIMPLE_LIMITS, Shop

ROUNDS, READINGS, SPOOLS = 7, 1_000, 20


def run() -> None:
    """Prints times and ratios, the median of alternated rounds with their spread; each body goes to a new lot."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "shop.sqlite3"
        app = create_app(Settings(database=f"sqlite:///{file}", log_level="error"))
        database.connect()
        tokens = {role: access.add_token(role, role) for role in roles.ROLES}
        database.disconnect()
        shop = Shop(app, tokens)
        supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
        taken: dict[str, list[float]] = {"a list": [], "columns": [], "executemany": []}
        # The first round compiles queries.
        for number in range(ROUNDS + 1):
            for name, form in (("a list", _as_list), ("columns", _as_columns)):
                delivery = shop.receive(supplier, grade, f"{name} {number}", spools=SPOOLS)
                rows = diameters([spool["code"] for spool in delivery["spools"]], number)
                taken[name].append(_posted(app, tokens["quality"], form(rows)))
            taken["executemany"].append(_executed(file))
        database.close()
    sys.stdout.write(f"{READINGS} readings of {SPOOLS} spools, ms (least-most){'':10}x executemany\n")
    for name, each in taken.items():
        times = [1e3 * one for one in each[1:]]
        ratios = [one / bare for one, bare in zip(each[1:], taken["executemany"][1:], strict=True)]
        sys.stdout.write(f"{name:14}{_told(times):>30}{_told(ratios):>24}\n")


def _told(values: list[float]) -> str:
    return f"{statistics.median(values):.1f} ({min(values):.1f}-{max(values):.1f})"


def diameters(codes: list[str], seed: int, count: int = READINGS) -> list[dict[str, Any]]:
    """So many diameters with a spread of a few micrometres, at 0.001 mm."""
    dice = random.Random(seed)
    return [
        {
            "spool_code": codes[n % len(codes)],
            "position_m": n,
            "d1_mm": round(dice.gauss(1.75, 0.003), 3),
            "d2_mm": round(dice.gauss(1.75, 0.003), 3),
            "measured_at": MEASURED,
        }
        for n in range(count)
    ]


def _as_list(rows: list[dict[str, Any]]) -> bytes:
    return json.dumps(rows).encode()


def _as_columns(rows: list[dict[str, Any]]) -> bytes:
    return json.dumps({"columns": {name: [row[name] for row in rows] for name in rows[0]}}).encode()


def _posted(app: Any, token: str, body: bytes) -> float:
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    client, began = app.test_client(), time.perf_counter()
    answer = client.post("/v1/diameter-readings", data=body, headers=headers)
    taken = time.perf_counter() - began
    assert answer.status_code == 201, answer.text
    return taken


def _executed(file: Path) -> float:
    """The last thousand readings as rows."""
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("PRAGMA synchronous = FULL")
        names = [row[1] for row in raw.execute("PRAGMA table_info(reading)") if row[1] != "id"]
        listed = ", ".join(f'"{name}"' for name in names)
        rows = raw.execute(f"SELECT {listed} FROM reading ORDER BY id DESC LIMIT {READINGS}").fetchall()
        places = ", ".join("?" * len(names))
        began = time.perf_counter()
        raw.executemany(f"INSERT INTO reading ({listed}) VALUES ({places})", rows)
        raw.commit()
        taken = time.perf_counter() - began
        # They are no readings of the shop: it must not find them when it judges the lot again.
        raw.execute(f"DELETE FROM reading WHERE id IN (SELECT id FROM reading ORDER BY id DESC LIMIT {READINGS})")
        raw.commit()
        return taken
