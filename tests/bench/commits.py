"""Ten callers of one process that wait to write to one SQLite file: durable writes a second where they share commits, beside one commit for each."""

from __future__ import annotations

import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from lots.store.engine import database
from lots.store.engine.write_lock import turn

ROUNDS, CALLERS, SECONDS = 9, 10, 2.0


@contextmanager
def by_itself() -> Iterator[None]:
    """A transaction with a commit of its own, in turn."""
    with turn(database.db.obj.database, database.PATIENCE_S), database.db.atomic():
        yield


WAYS: dict[str, Callable[[], AbstractContextManager[None]]] = {
    "one commit each": by_itself,
    "shared": database.transaction,
}


def run() -> None:
    """Prints writes a second of each way, the ratio, and the longest that any caller waited; medians of alternated rounds with their spread."""
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in WAYS}
    with tempfile.TemporaryDirectory() as folder:
        database.open_database(f"sqlite:///{Path(folder) / 'shop.sqlite3'}")
        database.connect()
        database.db.execute_sql("CREATE TABLE written (id INTEGER PRIMARY KEY, by_whom INTEGER)")
        database.disconnect()
        for _ in range(ROUNDS):
            for name, way in WAYS.items():
                found[name].append(_written(way))
        database.close()
    sys.stdout.write(f"{CALLERS} callers, {SECONDS:g} s, median of {ROUNDS} alternated rounds (least-most)\n")
    sys.stdout.write(f"{'':18}{'writes/s':>24}{'longest wait, ms':>24}\n")
    for name, rounds in found.items():
        rates, waits = zip(*rounds, strict=True)
        sys.stdout.write(f"{name:18}{_told(rates):>24}{_told([1e3 * wait for wait in waits]):>24}\n")
    ratios = [shared / alone for (alone, _), (shared, _) in zip(*found.values(), strict=True)]
    sys.stdout.write(f"{'ratio':18}{_told(ratios):>24}\n")


def _told(values: list[float] | tuple[float, ...]) -> str:
    return f"{statistics.median(values):.3g} ({min(values):.3g}-{max(values):.3g})"


def _written(way: Callable[[], AbstractContextManager[None]]) -> tuple[float, float]:
    """Writes a second of all callers together, and the longest wait of any, s."""
    start = threading.Barrier(CALLERS)
    waits: list[list[float]] = [[] for _ in range(CALLERS)]

    def write(number: int) -> None:
        database.connect()
        start.wait()
        until = time.monotonic() + SECONDS
        while (began := time.monotonic()) < until:
            with way():
                database.db.execute_sql("INSERT INTO written (by_whom) VALUES (?)", (number,))
            waits[number].append(time.monotonic() - began)
        database.disconnect()

    threads = [threading.Thread(target=write, args=(number,)) for number in range(CALLERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(map(len, waits)) / SECONDS, max(map(max, waits))
