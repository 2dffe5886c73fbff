"""A clearance in a shop after 10,000 readings and after 5,000,000: the cost of a long history."""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from lots.app import create_app
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from tests.bench.clearance import Kept, asker
from tests.shop import SIMPLE_LIMITS, Shop

ROUNDS, REQUESTS, WARM = 25, 100, 10
FEW, MANY = 10_000, 5_000_000
# The share of added readings in the first lot; the others hold the rest.
OWN = 0.9


def fill(file: Path, readings: int, lots: int = 0, spools: int = 0, loads: int = 0) -> None:
    """Brings an SQLite file to so many readings by copying those it has, nine tenths of them into its first lot; and adds lots, spools and loads.

    Args:
        file: nobody else has it open.
        readings: how many there are afterwards, >= as many as there are now.
        lots: how many to add, with numbers of their own, >= 0.
        spools: how many to add, with codes of their own, >= 0.
        loads: how many to add that have ended, for jobs of their own, >= 0; evenly on 200 machines, P1 to P200.

    Notes:
        What is copied passed the tables' checks once, so they rest meanwhile: they would take as long as the copying. No journal is
        kept: a file that broke off is thrown away.
    """
    with closing(sqlite3.connect(file, isolation_level=None)) as raw:
        for pragma in ("journal_mode = OFF", "synchronous = OFF", "ignore_check_constraints = ON"):
            raw.execute(f"PRAGMA {pragma}").fetchall()
        first = raw.execute("SELECT MIN(lot_id) FROM reading").fetchone()[0]
        more = readings - raw.execute("SELECT COUNT(*) FROM reading").fetchone()[0]
        own = round(OWN * more)
        raw.execute("BEGIN")
        _copied(raw, "reading", f"lot_id = {first}", own)
        _copied(raw, "reading", f"lot_id <> {first}", more - own)
        machines = 200 - raw.execute("SELECT COUNT(*) FROM machine").fetchone()[0] if loads else 0
        for table, times in (("lot", lots), ("spool", spools), ("machine", machines), ("job", loads), ("load", loads)):
            _copied(raw, table, "1", times)
        raw.execute("COMMIT")


# Values in which a copy differs from its pattern; n counts the copies, on from the number of rows there were.
_ITS_OWN = {
    "lot": {name: f"{name} || '-' || n" for name in ("supplier_lot", "identity", "likeness")},
    "spool": {name: f"{name} || '-' || n" for name in ("code", "identity", "likeness")},
    "machine": {"name": "'P' || (1 + n)", "identity": "'p' || (1 + n)", "likeness": "'p' || (1 + n)"},
    "job": {name: f"{name} || '-' || n" for name in ("number", "identity", "likeness")},
    "load": {
        "job": "job || '-' || n",
        "machine": "'P' || (1 + n % 200)",
        "of_job_id": "2 + n % (SELECT MAX(id) - 1 FROM job)",
        "on_machine_id": "1 + n % 200",
        "unloaded_at": "loaded_at",
        "remaining_mass_g": "0",
    },
}


def _copied(raw: sqlite3.Connection, table: str, which: str, times: int) -> None:
    """Adds so many rows, copies of up to ten of those there are, each as often as the others."""
    names = [row[1] for row in raw.execute(f"PRAGMA table_info({table})") if row[1] != "id"]
    own = _ITS_OWN.get(table, {})
    filled = ", ".join(f'"{name}"' for name in names)
    chosen = ", ".join(own.get(name, f'"{name}"') for name in names)
    # A table of their own, so that the engine need not set all rows aside before it adds the first.
    raw.execute(f"CREATE TEMP TABLE copied AS SELECT * FROM {table} WHERE {which} ORDER BY id LIMIT 10")
    rows = [number for (number,) in raw.execute("SELECT rowid FROM copied")]
    (there,) = raw.execute(f"SELECT COUNT(*) FROM {table}").fetchone()
    count = f"WITH RECURSIVE c(n) AS (SELECT {there} UNION ALL SELECT n + 1 FROM c WHERE n < {there} + ? - 1)"
    for place, row in enumerate(rows):
        share = times // len(rows) + (place < times % len(rows))
        if share:
            insert = f"INSERT INTO {table} ({filled}) {count} SELECT {chosen} FROM c, copied WHERE copied.rowid = ?"
            raw.execute(insert, (share, row))
    raw.execute("DROP TABLE copied")


def run() -> None:
    """Prints CPU and wall time of a request on both files and their ratios, the median of alternated rounds with their spread."""
    with tempfile.TemporaryDirectory() as folder:
        files = {readings: Path(folder) / f"{readings}.sqlite3" for readings in (FEW, MANY)}
        shop, code = _shop(files[FEW])
        shutil.copy(files[FEW], files[MANY])
        fill(files[FEW], FEW)
        # As many lots and spools as so many readings come from, when five of ten spools are read fifty times, and each is loaded once.
        fill(files[MANY], MANY, lots=MANY // 250, spools=MANY // 25, loads=MANY // 25)
        path = f"/v1/spools/{code}/clearance?use=cosmetic"
        asked = {"without a job": path, "for a job and a machine": f"{path}&job=J-1&machine=P1"}
        ways = {name: asker(shop.app, path, shop.tokens["production"]) for name, path in asked.items()}
        taken: dict[tuple[str, int], list[tuple[float, float]]] = {(n, r): [] for n in ways for r in files}
        for number in range(ROUNDS):
            # Whichever file comes first in a round comes second in the next.
            for readings in sorted(files, reverse=bool(number % 2)):
                for name, each in _asked(files[readings], ways).items():
                    taken[name, readings].append(each)
        sizes = " and ".join(f"{file.stat().st_size / 1e6:.0f} MB" for file in files.values())
    sys.stdout.write(f"{FEW:,} and {MANY:,} readings, files of {sizes}; us a request, medians of {ROUNDS} rounds\n")
    sys.stdout.write(f"{'':24}{'':6}{'few':>8}{'many':>8}{'ratio':>8}   spread\n")
    for name in ways:
        few, many = taken[name, FEW], taken[name, MANY]
        for place, kind in enumerate(("CPU", "wall")):
            ratios = sorted(later[place] / early[place] for later, early in zip(many, few, strict=True))
            early, later = (1e6 * statistics.median(each[place] for each in rounds) for rounds in (few, many))
            sys.stdout.write(
                f"{name:24}{kind:6}{early:8.0f}{later:8.0f}{statistics.median(ratios):8.2f}   {ratios[0]:.2f}-{ratios[-1]:.2f}\n"
            )


def _shop(file: Path) -> tuple[Shop, str]:
    """Three released lots, two of them used for a job, and the code of a spool of the first."""
    app = create_app(Settings(database=f"sqlite:///{file}"))
    logger = logging.getLogger("lots")
    logger.handlers[0] = Kept(logger.handlers[0])
    database.connect()
    tokens = {role: access.add_token(role, role) for role in roles.ROLES}
    database.disconnect()
    shop = Shop(app, tokens)
    supplier, grade = shop.supplier(), shop.grade(limits=SIMPLE_LIMITS)
    first, second, third = (shop.good_lot(supplier, grade, f"L-{n}", spools=2)["spools"] for n in range(3))
    shop.load(second[0]["code"])
    shop.load(third[0]["code"])
    database.close()
    return shop, first[0]["code"]


def _asked(file: Path, ways: dict[str, Callable[[], bytes]]) -> dict[str, tuple[float, float]]:
    """CPU and wall time of each request on this file, s, the mean of many, once its connection is there."""
    database.open_database(f"sqlite:///{file}")
    taken = {}
    for name, ask in ways.items():
        for _ in range(WARM):
            if not json.loads(ask())["clear"]:
                raise RuntimeError("the spool is not clear")
        cpu, wall = time.process_time(), time.perf_counter()
        for _ in range(REQUESTS):
            ask()
        taken[name] = (time.process_time() - cpu) / REQUESTS, (time.perf_counter() - wall) / REQUESTS
    database.close()
    return taken
