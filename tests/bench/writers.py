"""Eight processes that write to one SQLite file without a pause, each commit durable: fairness of the write lock and of SQLite's own waiting."""

from __future__ import annotations

import multiprocessing
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from lots.store.engine import database

ROUNDS, WRITERS, SECONDS = 5, 8, 4.0


def run() -> None:
    """Prints, for each way of waiting, least over most served, the worst wait in commits of one writer alone, and writes a second."""
    found: dict[str, list[tuple[float, float, float]]] = {"in turn": [], "SQLite's waiting": []}
    with tempfile.TemporaryDirectory() as folder:
        for number in range(ROUNDS):
            for name in found:
                url = f"sqlite:///{Path(folder) / f'{number}-{len(name)}.sqlite3'}"
                database.open_database(url)
                database.connect()
                database.db.execute_sql("CREATE TABLE written (id INTEGER PRIMARY KEY, by_whom INTEGER)")
                database.close()
                (alone,) = _written(url, 1, name)
                found[name].append(_told(_written(url, WRITERS, name), statistics.median(alone)))
    sys.stdout.write(f"{WRITERS} processes, {SECONDS:g} s, median of {ROUNDS} alternated rounds (least-most)\n")
    sys.stdout.write(f"{'':18}{'least/most':>22}{'worst wait, commits':>26}{'writes/s':>22}\n")
    for name, rounds in found.items():
        columns = [sorted(column) for column in zip(*rounds, strict=True)]
        shown = [f"{statistics.median(c):.3g} ({c[0]:.3g}-{c[-1]:.3g})" for c in columns]
        sys.stdout.write(f"{name:18}{shown[0]:>22}{shown[1]:>26}{shown[2]:>22}\n")


def _told(waits: list[list[float]], alone_s: float) -> tuple[float, float, float]:
    served = [len(each) for each in waits]
    return min(served) / max(served), max(map(max, waits)) / alone_s, sum(served) / SECONDS


def _written(url: str, writers: int, how: str) -> list[list[float]]:
    """The time of each write of each writer, s."""
    context = multiprocessing.get_context("spawn")
    start = context.Barrier(writers)
    with context.Pool(writers, initializer=_begin, initargs=(url, how, start)) as pool:
        return pool.map(_write, range(writers), chunksize=1)


_SET: dict[str, Any] = {}


def _begin(url: str, how: str, start: Any) -> None:
    _SET.update(how=how, start=start)
    database.open_database(url)


def _write(number: int) -> list[float]:
    database.connect()
    transaction: Callable[[], Any] = database.transaction if _SET["how"] == "in turn" else database.db.atomic
    _SET["start"].wait()
    waits, until = [], time.monotonic() + SECONDS
    while (began := time.monotonic()) < until:
        with transaction():
            database.db.execute_sql("INSERT INTO written (by_whom) VALUES (?)", (number,))
        waits.append(time.monotonic() - began)
    database.disconnect()
    return waits
