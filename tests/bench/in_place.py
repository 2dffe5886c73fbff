"""The cost of checking, at each request and commit, whether the database files are still the opened ones."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from lots.app import create_app
from lots.services.setup import access
from lots.settings import Settings
from lots.store.engine import database, pools

ROUNDS, READS, WRITES = 25, 300, 60


def run() -> None:
    """Prints the CPU of a refused clearance and of a durable write, with and without the check, and their ratio: medians of alternated rounds."""
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(Settings(database=f"sqlite:///{Path(folder) / 'shop.sqlite3'}", log_level="error"))
        database.connect()
        headers = {"Authorization": f"Bearer {access.add_token('Hester', 'production')}"}
        database.db.execute_sql("CREATE TABLE written (id INTEGER PRIMARY KEY, by_whom INTEGER)")
        database.disconnect()
        client = app.test_client()

        def read() -> None:
            client.get("/v1/spools/X/clearance?use=hidden", headers=headers)

        def write() -> None:
            database.connect()
            with database.transaction():
                database.db.execute_sql("INSERT INTO written (by_whom) VALUES (1)")
            database.disconnect()

        sys.stdout.write(f"{'':10}{'with, us CPU':>14}{'without, us':>14}{'ratio':>8}   spread\n")
        for name, act, times in (("read", read, READS), ("write", write, WRITES)):
            sys.stdout.write(
                _line(name, [(_taken(act, times, True), _taken(act, times, False)) for _ in range(ROUNDS)])
            )
        database.close()


def _line(name: str, rounds: list[tuple[float, float]]) -> str:
    looking, blind = zip(*rounds, strict=True)
    ratios = sorted(one / other for one, other in rounds)
    return (
        f"{name:10}{1e6 * statistics.median(looking):14.0f}{1e6 * statistics.median(blind):14.0f}"
        f"{statistics.median(ratios):8.3f}   {ratios[0]:.3f}-{ratios[-1]:.3f}\n"
    )


def _taken(act: Callable[[], None], times: int, looking: bool) -> float:
    """Seconds of CPU of one action, with or without the check."""
    files = database.db.obj.files
    kept = pools.OpenFiles.require, pools.OpenFiles.require_log
    if not looking:
        pools.OpenFiles.require = pools.OpenFiles.require_log = lambda _: None  # type: ignore[method-assign]
    try:
        began = time.process_time()
        for _ in range(times):
            act()
        return (time.process_time() - began) / times
    finally:
        pools.OpenFiles.require, pools.OpenFiles.require_log = kept  # type: ignore[method-assign]
        assert files.known
