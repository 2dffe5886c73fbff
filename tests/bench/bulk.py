"""A list of 1,000 diameter readings, from its body to durable and judged rows, beside a bare `executemany` of the same rows into the same table."""

from __future__ import annotations

import json
import sqlite3
import statistics
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from lots.app import create_app
from lots.desks import access
from lots.settings import Settings
from lots.store import database
from tests.shop import MEASURED, SIMPLE_LIMITS, Shop

ROUNDS, READINGS, SPOOLS = 7, 1_000, 20


def run() -> None:
    """Prints both times and their ratio, the median of alternated rounds with their spread; each round is a new lot."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "shop.sqlite3"
        app = create_app(Settings(database=f"sqlite:///{file}", log_level="error"))
        database.connect()
        tokens = {role: access.add_token(role, role) for role in access.ROLES}
        database.disconnect()
        shop = Shop(app, tokens)
        supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
        ours, bare = [], []
        for number in range(ROUNDS):
            delivery = shop.receive(supplier, grade, f"L-{number}", spools=SPOOLS)
            codes = [spool["code"] for spool in delivery["spools"]]
            ours.append(_posted(app, tokens["quality"], _body(codes)))
            bare.append(_executed(file))
        database.close()
    ratios = sorted(one / other for one, other in zip(ours, bare, strict=True))
    sys.stdout.write(f"{READINGS} readings of {SPOOLS} spools, ms (least-most)\n")
    for name, each in (("judged", ours), ("executemany", bare)):
        sys.stdout.write(
            f"{name:12}{1e3 * statistics.median(each):8.1f} ({1e3 * min(each):.1f}-{1e3 * max(each):.1f})\n"
        )
    sys.stdout.write(f"{'ratio':12}{statistics.median(ratios):8.1f} ({ratios[0]:.1f}-{ratios[-1]:.1f})\n")


def _body(codes: list[str]) -> bytes:
    one = {"d1_mm": 1.75, "d2_mm": 1.751, "measured_at": MEASURED}
    return json.dumps([{**one, "spool_code": codes[n % len(codes)], "position_m": n} for n in range(READINGS)]).encode()


def _posted(app: Any, token: str, body: bytes) -> float:
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
    client, began = app.test_client(), time.perf_counter()
    answer = client.post("/v1/diameter-readings", data=body, headers=headers)
    taken = time.perf_counter() - began
    assert answer.status_code == 201, answer.text
    return taken


def _executed(file: Path) -> float:
    """The last thousand readings once more, as rows."""
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
