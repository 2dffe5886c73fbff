"""The query of a clearance, compiled once and compiled at each request by the query language: CPU time of the query and its row."""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from lots import demo
from lots.domain.code_identity import identity
from lots.store.assessment import lots
from lots.store.engine import database
from lots.store.tables.models import Spool
from tests.bench.clearance import SPOOL

ROUNDS, TIMES = 9, 200


def _built_each_time() -> object:
    same = (Spool.code == SPOOL) | (Spool.identity == identity(SPOOL))
    return list(lots.with_lot(Spool.select(Spool, *lots.TO_CHECK)).where(same))


def _compiled_once() -> object:
    return lots._SPOOL.all(code=SPOOL, identity=identity(SPOOL))


WAYS: dict[str, Callable[[], object]] = {"built each time": _built_each_time, "compiled once": _compiled_once}


def run() -> None:
    """Prints the time of each way in ms and the ratio: medians of alternated rounds with their spread."""
    found: dict[str, list[float]] = {name: [] for name in WAYS}
    with tempfile.TemporaryDirectory() as folder:
        demo.build(Path(folder))
        database.connect()
        for _ in range(ROUNDS):
            for name, way in WAYS.items():
                began = time.process_time()
                for _ in range(TIMES):
                    way()
                found[name].append(1e3 * (time.process_time() - began) / TIMES)
        database.disconnect()
        database.close()
    for name, times in found.items():
        sys.stdout.write(f"{name:18}{statistics.median(times):8.3f} ms ({min(times):.3f}-{max(times):.3f})\n")
    ratios = [each / once for each, once in zip(*found.values(), strict=True)]
    sys.stdout.write(f"{'ratio':18}{statistics.median(ratios):8.1f}    ({min(ratios):.1f}-{max(ratios):.1f})\n")
