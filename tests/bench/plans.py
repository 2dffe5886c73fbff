"""Every statement behind common requests to a shop of 2,000 lots: its time and plan; and the size of a row of each table.

On SQLite, and on PostgreSQL where LOTS_TEST_POSTGRES names a server. LOTS_BENCH_LOTS=20000 builds a shop ten times as big, which
shows growth.
"""

from __future__ import annotations

import base64
import os
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from flask import Flask

from lots.services import clock
from lots.store.engine import database
from lots.store.tables.loads import Load
from lots.store.tables.models import Event, Lot, Reading, Spool
from tests.api.test_queries import statements
from tests.bench._grown import COPIED, NAMES, build
from tests.shop import MEASURED
from tests.store.rows import connected
from tests.trust import serving

LOTS = int(os.environ.get("LOTS_BENCH_LOTS", "2000"))
# A statement is shown with its plan from here on: ms; rows that come back, are looked at for nothing or are sorted; SQLite's steps for each row.
SLOW_MS, MANY, _STEPS_A_ROW = 5.0, 1_000, 200
_LONG_MS = 3_000.0
# How many there will be: ten sites with 1,000 lots a day between them, for ten years.
LOTS_OF_TEN_YEARS = 1_000 * 3_650


def run() -> None:
    """Builds the shop on each engine, and prints the costs of its questions and rows."""
    servers = [None, os.environ["LOTS_TEST_POSTGRES"]] if os.environ.get("LOTS_TEST_POSTGRES") else [None]
    for server in servers:
        with tempfile.TemporaryDirectory() as folder, serving.database(server, Path(folder)) as url:
            began = time.perf_counter()
            app, tokens = build(url, LOTS)
            _say(f"\n== {'PostgreSQL' if server else 'SQLite'}: {LOTS:,} lots, built in {_since(began)} s")
            _tell_sizes()
            asked = _questions()
            told = {name: _look(app, tokens["admin"], *ask) for name, ask in asked.items()}
            _tell(told)
            if server is None:
                _tell_with_statistics(told)
            database.close()


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def _since(began: float) -> int:
    return round(time.perf_counter() - began)


# Bytes of a row


def _tell_sizes() -> None:
    """Bytes per row of tables that grow with every lot, and their total in ten years."""
    with connected():
        held = _pages()
        counted = {model: model.select().count() for model in COPIED}
    _say(f"{'table':18}{'rows a lot':>12}{'bytes a row':>13}{'of it indexes':>15}{'GB in ten years':>17}")
    whole = 0.0
    for model, table in sorted(NAMES.items(), key=lambda pair: -sum(held[pair[1]])):
        own, indexes = held[table]
        a_lot, a_row = counted[model] / counted[Lot], (own + indexes) / counted[model]
        gb = a_lot * a_row * LOTS_OF_TEN_YEARS / 1e9
        whole += gb
        _say(f"{table:18}{a_lot:12.1f}{a_row:13.0f}{indexes / (own + indexes):15.0%}{gb:17.0f}")
    _say(f"{'all of these':58}{whole:17.0f}\n")


def _pages() -> dict[str, tuple[int, int]]:
    """The size of each table and of its indexes together, bytes."""
    if database.locks_rows():
        sizes = "SELECT relname, pg_table_size(oid), pg_indexes_size(oid) FROM pg_class WHERE relkind = 'r'"
        return {name: (own, indexes) for name, own, indexes in database.db.execute_sql(sizes).fetchall()}
    # Compiled into most builds of SQLite, not into all. By pages: of more than 2 GiB it sums up the bytes wrongly.
    (page,) = database.db.execute_sql("PRAGMA page_size").fetchone()
    sizes = """SELECT m.tbl_name, SUM(CASE m.type WHEN 'table' THEN s.pageno ELSE 0 END),
        SUM(CASE m.type WHEN 'index' THEN s.pageno ELSE 0 END)
        FROM dbstat s JOIN sqlite_master m ON m.name = s.name WHERE s.aggregate = TRUE GROUP BY m.tbl_name"""
    return {name: (page * own, page * indexes) for name, own, indexes in database.db.execute_sql(sizes).fetchall()}


# What people ask

Ask = tuple[str, str, Any]


def _questions() -> dict[str, Ask]:
    """Method, path and body of each question, about a lot from the middle of the record or the newest."""
    with connected():
        number = LOTS // 2
        lot = Lot.select().order_by(Lot.id).offset(number).first()
        blocked = Spool.select(Spool).join(Lot).where(Lot.standing == "blocked").order_by(Spool.id.desc()).first()
        alike = (Lot.grade == lot.grade_id) & (Lot.standing == "released")
        newest = Lot.select().where(alike).order_by(Lot.id.desc()).first()
        free = Spool.select().where((Spool.lot == newest) & Spool.machine.is_null()).first()
        reading = Reading.select(Reading.id).where(Reading.lot == lot).order_by(Reading.id.desc()).first().id
        event = Event.select(Event.id).order_by(Event.id.desc()).first().id
        load = Load.select().where(Load.lot == lot).first()
    of, about = f"/v1/lots/{lot.id}", f"supplier_id={lot.supplier_id}&grade_id={lot.grade_id}"
    clear = f"/v1/spools/{free.code}/clearance?use=general"
    lately = f"{clock.now() - timedelta(days=40):%Y-%m-%dT%H:%M:%SZ}"
    asked = {
        "clearance": clear,
        "clearance, for a job": f"{clear}&job={load.job}",
        "clearance, for a job and a machine": f"{clear}&job={load.job}&machine=P7",
        "clearance, not clear": f"/v1/spools/{blocked.code}/clearance?use=general",
        "spool": f"/v1/spools/{free.code}",
        "spool that is not there": "/v1/spools/NO-SUCH/clearance?use=general",
        "lot": of,
        "assessment": f"{of}/assessment",
        "assessment, of a past moment": f"{of}/assessment?as_of={lately}",
        "readings": f"{of}/readings?kind=diameter",
        "readings, late page": f"{of}/readings?limit=50&cursor={_after(reading - 60)}",
        "replicates": f"{of}/replicates",
        "decisions": f"{of}/decisions",
        "record": f"{of}/record",
        "exposure": f"{of}/exposure",
        "matches": f"/v1/lots/{newest.id}/matches",
        "match table": f"/v1/match-table?grade_id={lot.grade_id}",
        "lots": "/v1/lots",
        "lots, late page": f"/v1/lots?cursor={_after(lot.id)}",
        "lots, uses of the newest": "/v1/lots/uses?order=newest",
        "lots, blocked": "/v1/lots?standing=blocked",
        "lots, scrapped (none)": "/v1/lots?standing=scrapped",
        "lots, supplier and grade": f"/v1/lots?{about}",
        "lots, supplier and grade, late": f"/v1/lots?{about}&cursor={_after(lot.id)}",
        "lots, by number": f"/v1/lots?supplier_lot={lot.supplier_lot}",
        "lots, received lately": f"/v1/lots?received_from={lately}",
        "deliveries, newest": "/v1/deliveries?order=newest",
        "deliveries, received lately": f"/v1/deliveries?received_from={lately}",
        "loads, late page": f"/v1/loads?cursor={_after(load.id)}",
        "loads, open": "/v1/loads?open=true",
        "loads, of a machine": f"/v1/loads?machine={load.machine}",
        "loads, of a job": f"/v1/loads?job={load.job}",
        "loads, of a spool": f"/v1/loads?spool_code={free.code}",
        "load refusals": "/v1/load-refusals",
        "containments, open": "/v1/containments?open=true",
        "corrective actions": "/v1/corrective-actions",
        "job": f"/v1/jobs/{load.job}",
        "drift, color": f"/v1/drift?{about}&characteristic=color",
        "drift, all": f"/v1/drift?{about}",
        "forecast": f"/v1/forecast?{about}",
        "inspection severity": f"/v1/inspection-severity?{about}",
        "comparison, a grade": f"/v1/supplier-comparison?grade_id={lot.grade_id}",
        "comparison, all grades": "/v1/supplier-comparison",
        "purchasing summary": "/v1/purchasing-summary",
        "events": "/v1/events",
        "events, late page": f"/v1/events?cursor={_after(event - 100)}",
        "events, of a lot": f"/v1/events?lot_id={lot.id}",
        "events, by somebody rare": "/v1/events?by=Nobody",
        "events, of a rare kind": "/v1/events?what=token made",
        "events, lately": f"/v1/events?from={lately}",
        "metrics": "/metrics",
        "directory": "/v1/directory",
        "imports": "/v1/imports",
    }
    picked = {"grade_id": lot.grade_id, "use": "general", "mass_g": 3000, "match_max": 0.5}
    measured = {"spool_code": free.code, "d1_mm": 1.75, "d2_mm": 1.75, "measured_at": MEASURED}
    return {
        **{name: ("GET", path, None) for name, path in asked.items()},
        "picks": ("POST", "/v1/picks", picked),
        "a reading stored": ("POST", "/v1/diameter-readings", measured),
    }


def _after(number: int) -> str:
    """The cursor of the page before."""
    return base64.urlsafe_b64encode(f"after:{number}".encode()).decode().rstrip("=")


# How it is answered


@dataclass(frozen=True, slots=True)
class Statement:
    """A statement, run by itself.

    Attributes:
        sql: with places for its values.
        values: those it was asked with.
        ms: until its last row was there, the median of three times.
        rows: that came back.
        work: steps of SQLite's virtual machine, or pages that PostgreSQL touched.
        plan: as the engine tells it.
        odd: its part that grows with the shop.
    """

    sql: str
    values: Any
    ms: float
    rows: int
    work: int
    plan: list[str]
    odd: list[str]


@dataclass(frozen=True, slots=True)
class Told:
    """What a question came to: how long the whole request took, the median of three times, ms, and its statements."""

    status: int
    ms: float
    statements: list[Statement]

    @property
    def in_statements_ms(self) -> float:
        """All of them together."""
        return sum(one.ms for one in self.statements)


def _look(app: Flask, token: str, method: str, path: str, body: Any) -> Told:
    client, headers = app.test_client(), {"Authorization": f"Bearer {token}"}
    sent = {"json": body} if body is not None else {}
    taken = []

    def ask() -> int:
        began = time.perf_counter()
        answer = client.open(path, method=method, headers=headers, **sent)
        taken.append(1e3 * (time.perf_counter() - began))
        return int(answer.status_code)

    with statements() as seen:
        status = ask()
    # The first run fills caches; after a long one there is no second.
    while len(taken) < 4 and taken[0] < _LONG_MS:
        ask()
    with connected():
        asked = [(sql, values) for sql, values in seen if sql.startswith("SELECT") and "FOR UPDATE" not in sql]
        return Told(status, statistics.median(taken[1:] or taken), [_statement(*one) for one in asked])


def _statement(sql: str, values: Any) -> Statement:
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        rows = database.db.execute_sql(sql, values).fetchall()
        taken.append(1e3 * (time.perf_counter() - began))
    plan, work, odd = (_on_postgresql if database.locks_rows() else _on_sqlite)(sql, values)
    odd = [*odd, *([f"{len(rows):,} rows come back"] if len(rows) > MANY else [])]
    return Statement(sql, values, statistics.median(taken), len(rows), work, plan, odd)


def _on_sqlite(sql: str, values: Any) -> tuple[list[str], int, list[str]]:
    """Plan, steps and oddities: a scan of a growing table, or many more steps than the returned rows need."""
    connection, steps = database.db.connection(), [0]

    def count() -> None:
        steps[0] += 10

    connection.set_progress_handler(count, 10)
    rows = connection.execute(sql, values).fetchall()
    connection.set_progress_handler(None, 10)
    plan = [row[-1] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}", values).fetchall()]
    alias = {name: table for table, name in re.findall(r'"(\w+)" AS "(t\d+)"', sql)}
    # A page in the order of the numbers is a scan too, but ends with the page.
    in_vain = steps[0] > MANY and steps[0] > _STEPS_A_ROW * (len(rows) + 1)
    odd = [f"{steps[0]:,} steps for {len(rows):,} rows"] if in_vain else []
    for line in plan:
        walked = re.match(r"SCAN (\w+)", line)
        table = walked and alias.get(walked[1], walked[1])
        if table in NAMES.values() and (in_vain or "LIMIT" not in sql):
            odd.append(f"walks through {table}")
    return plan, steps[0], odd


def _on_postgresql(sql: str, values: Any) -> tuple[list[str], int, list[str]]:
    """Plan, pages and oddities: many rows read in vain, a scanned table, a large sort."""
    shown = database.db.execute_sql(f"EXPLAIN (ANALYZE, BUFFERS) {sql}", values).fetchall()
    plan, odd = [line for (line,) in shown], []
    counted = re.search(r"Buffers: shared (?:hit=(\d+))?(?: ?read=(\d+))?", "\n".join(plan))
    pages = sum(int(part) for part in counted.groups() if part) if counted else 0
    node, loops = "", 1
    for line in plan:
        found = re.search(r"(?:->\s+)?(\S.*?)\s+\(cost=.*actual time=\S+ rows=(\d+) loops=(\d+)", line)
        if found:
            node, loops = found[1], int(found[3])
            walked = re.match(r"(?:Parallel )?Seq Scan on (\w+)", node)
            if walked and walked[1] in NAMES.values():
                odd.append(f"walks through {walked[1]}")
            if node.startswith("Sort") and int(found[2]) > MANY:
                odd.append(f"sorts {int(found[2]):,} rows")
        removed = re.search(r"Rows Removed by (?:Join )?Filter: (\d+)", line)
        if removed and int(removed[1]) * loops > MANY:
            odd.append(f"{int(removed[1]) * loops:,} rows looked at for nothing: {node}")
    return plan, pages, list(dict.fromkeys(odd))


# Telling it


def _tell(told: dict[str, Told]) -> None:
    unit = "pages" if database.locks_rows() else "steps"
    _say(f"{'asked':36}{'status':>7}{'ms':>8}{'statements':>12}{'their ms':>10}{'slowest':>9}{unit:>10}  odd")
    for name, one in told.items():
        slowest = max(one.statements, key=lambda each: each.ms)
        odd = sum(bool(each.odd) for each in one.statements)
        _say(
            f"{name:36}{one.status:7}{one.ms:8.1f}{len(one.statements):12}{one.in_statements_ms:10.2f}{slowest.ms:9.2f}"
            f"{max(each.work for each in one.statements):10,}  {odd or ''}"
        )
    for name, each in _shown(told):
        sql = re.sub(r'SELECT (DISTINCT )?("t\d+"\."\w+", )+"t\d+"\."\w+" FROM', r"SELECT \1... FROM", each.sql)
        _say(f"\n{name}: {each.ms:.2f} ms, {each.rows:,} rows, {each.work:,} {unit}\n  {sql}")
        for line in each.plan:
            _say(f"  | {line}")
        for text in each.odd:
            _say(f"  ! {text}")
    _say("")


def _shown(told: dict[str, Told]) -> Iterator[tuple[str, Statement]]:
    """The slowest statement of all, and each that is slow or odd, once, with what was asked."""
    every = sorted(
        ((name, one) for name, each in told.items() for one in each.statements), key=lambda pair: -pair[1].ms
    )
    seen = set()
    for place, (name, one) in enumerate(every):
        if one.sql not in seen and (place == 0 or one.ms >= SLOW_MS or one.odd):
            seen.add(one.sql)
            yield name, one


def _tell_with_statistics(told: dict[str, Told]) -> None:
    """Prints the effect of ANALYZE on SQLite, which the program never runs."""
    with connected():
        database.db.execute_sql("ANALYZE")
    database.db.obj.close_all()
    _say(f"{'once the file was analysed':36}{'their ms':>10}{'before':>10}")
    with connected():
        for name, one in told.items():
            again = sum(_statement(each.sql, each.values).ms for each in one.statements)
            if abs(again - one.in_statements_ms) > max(1.0, 0.5 * one.in_statements_ms):
                _say(f"{name:36}{again:10.2f}{one.in_statements_ms:10.2f}")
