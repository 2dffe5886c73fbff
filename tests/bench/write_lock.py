"""Time under SQLite's write lock of the largest requests that store readings, compared with each whole request, in CPU time.

Other writers wait meanwhile. Lists and columns of 5,000 readings; files of 10,000 for one lot and for fifty.
"""

from __future__ import annotations

import io
import itertools
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from lots.app import create_app
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from lots.store.engine.pools import File
from tests.bench.bulk import _as_columns, _as_list, diameters
from tests.shop import SIMPLE_LIMITS, Shop

ROUNDS = 3


def run() -> None:
    """Prints CPU seconds of each request, those under the lock, and their ratio: of the round that took least."""
    held: list[float] = []
    waited_for = File.writing

    @contextmanager
    def writing(self: File, patience_s: float) -> Iterator[None]:
        with waited_for(self, patience_s):
            began = time.process_time()
            try:
                yield
            finally:
                held.append(time.process_time() - began)

    with tempfile.TemporaryDirectory() as folder, patch.object(File, "writing", writing):
        app = create_app(Settings(database=f"sqlite:///{Path(folder) / 'shop.sqlite3'}", log_level="error"))
        database.connect()
        tokens = {role: access.add_token(role, role) for role in roles.ROLES}
        database.disconnect()
        shop = Shop(app, tokens)
        numbers = itertools.count(1)
        supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)

        def codes(lots: int) -> list[str]:
            made = [
                shop.receive(supplier, grade, f"L{next(numbers)}", spools=20 if lots == 1 else 4) for _ in range(lots)
            ]
            return [spool["code"] for delivery in made for spool in delivery["spools"]]

        cases: dict[str, tuple[int, int, Callable[[list[dict[str, Any]]], tuple[str, dict[str, Any]]]]] = {
            "5,000 as a list": (5_000, 1, _json(_as_list)),
            "5,000 as columns": (5_000, 1, _json(_as_columns)),
            "a file of 10,000, one lot": (10_000, 1, _file),
            "a file of 10,000, 50 lots": (10_000, 50, _file),
        }
        sys.stdout.write(f"{'':28}{'whole s':>9}{'lock s':>9}{'ratio':>7}\n")
        for name, (count, lots, form) in cases.items():
            times = []
            for number in range(ROUNDS):
                path, sent = form(diameters(codes(lots), number, count))
                held.clear()
                began = time.process_time()
                answer = app.test_client().post(path, headers={"Authorization": f"Bearer {tokens['quality']}"}, **sent)
                times.append((time.process_time() - began, sum(held)))
                assert answer.status_code == 201, answer.get_data(as_text=True)[:300]
            whole, locked = min(times)
            sys.stdout.write(f"{name:28}{whole:9.2f}{locked:9.2f}{locked / whole:7.2f}\n")
        database.close()


def _json(
    form: Callable[[list[dict[str, Any]]], bytes],
) -> Callable[[list[dict[str, Any]]], tuple[str, dict[str, Any]]]:
    return lambda rows: ("/v1/diameter-readings", {"data": form(rows), "content_type": "application/json"})


def _file(rows: list[dict[str, Any]]) -> tuple[str, dict[str, Any]]:
    lines = [",".join(rows[0]), *(",".join(json.dumps(value).strip('"') for value in row.values()) for row in rows)]
    content = io.BytesIO("\n".join(lines).encode())
    return "/v1/imports", {
        "data": {"kind": "diameter", "file": (content, "bench.csv")},
        "content_type": "multipart/form-data",
    }
