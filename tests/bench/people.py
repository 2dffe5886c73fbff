"""CPU time, statements and bytes of every GET, every page and a pick, in shops of 2,004 and of 20,004 lots."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from flask import Flask
from flask.testing import FlaskClient

from lots.app import create_app
from lots.services import clock
from lots.settings import Settings
from lots.store.engine import database
from tests.api.test_queries import statements
from tests.bench._grown import build
from tests.store.rows import connected

SIZES, TIMES = (2_004, 20_004), 3
# What differs between two runs over the same rows: keys and seals of forms, and moments of asking.
_VOLATILE = re.compile(
    rb'name="(?:once|seal)" value="[^"]*"|"(?:checked_at|as_of|last_used_at|at)": ?"[^"]*"|told=[\w.=-]+'
)


@dataclass(frozen=True, slots=True)
class Row:
    """One measured request: the first in its process, and the median of later ones."""

    lots: int
    asked: str
    first_ms: float
    again_ms: float
    statements: int
    kilobytes: float
    status: int
    digest: str


def run() -> None:
    """Prints a row for each request.

    LOTS_BENCH_SHOPS names a folder in which shops are kept between runs, LOTS_BENCH_SIZES the sizes to measure, LOTS_BENCH_ONLY a text that a
    request must contain. LOTS_BENCH_KEEP names a file to write the rows to. With LOTS_BENCH_AGAINST, such a file of another run, each row says
    how many times faster it is than there, and whether the answer is the same.
    """
    sizes = [int(size) for size in os.environ.get("LOTS_BENCH_SIZES", "").split(",") if size] or list(SIZES)
    kept, before = os.environ.get("LOTS_BENCH_KEEP"), _read(os.environ.get("LOTS_BENCH_AGAINST"))
    with tempfile.TemporaryDirectory() as name, Path(kept or os.devnull).open("w", encoding="utf-8") as file:
        for size in sizes:
            for row in _measured(Path(os.environ.get("LOTS_BENCH_SHOPS", name)), size):
                file.write(f"{json.dumps(asdict(row))}\n")
                sys.stdout.write(_line(row, before.get((row.lots, row.asked))))
                sys.stdout.flush()


def _read(file: str | None) -> dict[tuple[int, str], Row]:
    rows = [Row(**json.loads(line)) for line in Path(file).read_text().splitlines()] if file else []
    return {(row.lots, row.asked): row for row in rows}


def _line(row: Row, before: Row | None) -> str:
    line = (
        f"{row.lots:>6} {row.asked:<84} {row.first_ms:>8.1f} {row.again_ms:>8.1f} ms {row.statements:>4} statements "
        f"{row.kilobytes:>8.1f} kB {row.status}"
    )
    if before is None:
        return f"{line}\n"
    same = "same" if before.digest == row.digest else "differs"
    return f"{line} {before.again_ms / row.again_ms:>6.1f} x, before {before.statements} statements; {same}\n"


def _measured(folder: Path, size: int) -> Iterator[Row]:
    app, token, now = _shop(folder, size)
    program, headers = app.test_client(), {"Authorization": f"Bearer {token}"}
    wanted = os.environ.get("LOTS_BENCH_ONLY", "")
    with clock.clock_set_to(now):
        browser = _signed_in(app, token)
        with connected():
            asked = [(path, program, headers) for path in _requests()] + [(path, browser, {}) for path in _pages()]
        for path, client, sent in asked:
            if wanted in path:
                yield _row(size, client, path, sent)
    database.close()


def _shop(folder: Path, size: int) -> tuple[Flask, str, datetime]:
    """The application on a shop of a size, built where there is none yet; an administrator's token; and the moment at which it is asked."""
    file, told = folder / f"{size}.db", folder / f"{size}.json"
    if not told.exists():
        _, tokens = build(f"sqlite:///{file}", size)
        database.close()
        told.write_text(json.dumps(tokens))
    app = create_app(Settings(database=f"sqlite:///{file}", log_level="error"))
    with contextlib.suppress(ImportError):  # an older checkout does not settle
        from lots.serving import garbage

        garbage.settle()
    with connected():
        newest = database.db.execute_sql("SELECT max(at) FROM event").fetchone()[0]
    return app, json.loads(told.read_text())["admin"], datetime.fromisoformat(newest) + timedelta(hours=1)


def _signed_in(app: Flask, token: str) -> FlaskClient:
    browser = app.test_client()
    form = browser.get("/sign-in").get_data(as_text=True)
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
    browser.post("/sign-in", data={**fields, "token": token})
    return browser


def _row(size: int, client: FlaskClient, asked: str, headers: dict[str, str]) -> Row:
    method, path, body = (*asked.split(" ", 2), None)[:3]
    sent: dict[str, Any] = {"headers": headers, **({"json": json.loads(body)} if body else {})}
    path, _, form = path.partition("#")
    if form:
        sent["headers"] = {**headers, "Accept": {"svg": "image/svg+xml", "csv": "text/csv"}[form]}
    spent = []
    for _ in range(1 + TIMES):
        begun = time.process_time()
        answer = client.open(path, method=method, **sent)
        text = answer.get_data()
        spent.append((time.process_time() - begun) * 1000)
    with statements() as seen:
        client.open(path, method=method, **sent)
    digest = hashlib.sha256(_VOLATILE.sub(b"", _in_order(text, answer.mimetype))).hexdigest()[:12]
    return Row(size, asked, spent[0], median(spent[1:]), len(seen), len(text) / 1000, answer.status_code, digest)


def _in_order(text: bytes, kind: str) -> bytes:
    """An answer with the names of its JSON sorted."""
    return json.dumps(json.loads(text), sort_keys=True).encode() if kind.endswith("json") else text


def _one(sql: str) -> Any:
    return database.db.execute_sql(sql).fetchone()[0]


_IN_STOCK = "SELECT s.{} FROM spool s JOIN lot l ON l.id = s.lot_id WHERE s.remaining_mass_g > 0 AND s.machine IS NULL AND l.standing = '{}'"


def _requests() -> list[str]:
    """Every GET of the API on an existing thing, and a pick."""
    clear, refused = (
        _one(f"{_IN_STOCK.format('code', standing)} ORDER BY s.id LIMIT 1") for standing in ("released", "blocked")
    )
    lot, blocked = (
        _one(f"{_IN_STOCK.format('lot_id', standing)} ORDER BY s.id LIMIT 1") for standing in ("released", "blocked")
    )
    delivery = _one(f"SELECT id FROM delivery WHERE lot_id = {lot}")
    job = _one("SELECT job FROM load ORDER BY id DESC LIMIT 1")
    grade, supplier = (
        _one(f"SELECT grade_id FROM lot WHERE id = {lot}"),
        _one(f"SELECT supplier_id FROM lot WHERE id = {lot}"),
    )
    series = f"supplier_id={supplier}&grade_id={grade}"
    of_lot = (
        "", "/assessment", "/bond-picture", "/color-map", "/concessions", "/corrective-actions", "/decisions", "/diameter-profile", "/exposure",
        "/matches", "/nonconformity-report", "/readings", "/record", "/reinspections", "/replicates", "/sample", "/shrinkage-picture",
    )  # fmt: skip
    lists = (
        "baselines", "build-doubts", "codes-in-doubt", "containments", "corrective-actions", "deliveries", "directory", "due", "events",
        "grades", "imports", "instruments", "jobs", "load-refusals", "loads", "loads?open=true&limit=500", "lots", "lots?order=newest&limit=100",
        "lots?standing=quarantined", "lots/uses", "lots/uses?order=newest&limit=100", "machines", "me", "shades", "suppliers", "test-prints",
        "voids", "changes",
    )  # fmt: skip
    others = (
        f"spools/{clear}", f"spools/{clear}/clearance?use=general", f"spools/{clear}/clearance?use=general&job={job}&machine=P1",
        f"spools/{refused}/clearance?use=general", f"spools/{refused}/clearance?use=general&job={job}&machine=P1", f"spools/{clear}/dryings",
        f"spools/{clear}/label", f"jobs/{job}", "suppliers/1", f"grades/{grade}", f"grades/{grade}/limits", f"grades/{grade}/visual-trials",
        "shades/1", "shades/1/revisions", "shades/1/remeasurements", "shades/1/working-copies", "instruments/1", "instruments/1/checks",
        "instruments/1/studies", "machines/1", f"deliveries/{delivery}", f"inspection-severity?{series}", f"forecast?{series}",
        f"decision-risk?grade_id={grade}", "sampling-plan?lot_size=500&aql=1.0", f"match-table?grade_id={grade}", f"match-table?grade_id={grade}#svg",
        f"drift?{series}", f"drift?{series}&characteristic=color", f"drift?{series}&characteristic=color#svg", f"supplier-comparison?grade_id={grade}",
        "supplier-comparison", f"supplier-comparison?grade_id={grade}#svg", f"supplier-comparison?grade_id={grade}#csv", "purchasing-summary",
        f"drift?{series}#csv", f"forecast?{series}#csv",
        f"lots/{blocked}/assessment", f"lots/{blocked}/nonconformity-report",
    )  # fmt: skip
    gets = [f"lots/{lot}{part}" for part in of_lot] + [*lists, *others]
    pick = json.dumps({"grade_id": grade, "use": "general", "mass_g": 2500, "match_max": 1.0})
    return [f"GET /v1/{path}" for path in gets] + [f"POST /v1/picks {pick}", "GET /v1/openapi.json"]


def _pages() -> list[str]:
    """Every page on an existing thing."""
    clear, refused = (
        _one(f"{_IN_STOCK.format('code', standing)} ORDER BY s.id LIMIT 1") for standing in ("released", "blocked")
    )
    lot = _one(f"{_IN_STOCK.format('lot_id', 'released')} ORDER BY s.id LIMIT 1")
    blocked = _one(f"{_IN_STOCK.format('lot_id', 'blocked')} ORDER BY s.id LIMIT 1")
    delivery = _one(f"SELECT id FROM delivery WHERE lot_id = {lot}")
    grade, supplier = (
        _one(f"SELECT grade_id FROM lot WHERE id = {lot}"),
        _one(f"SELECT supplier_id FROM lot WHERE id = {lot}"),
    )
    return [
        f"GET {path}"
        for path in (
            "/", "/bench", f"/bench?spool={clear}", f"/bench?spool={clear}&kind=color", "/bench/file", "/check", f"/check?spool={clear}&use=general",
            f"/check?spool={refused}&use=general", "/grades", f"/grades/{grade}", "/grades/new", "/deliveries", "/home/now", "/loaded", "/lots", "/lots?standing=quarantined", "/lots?sort=number&use=cosmetic", "/search?q=q-3", "/search?q=1",
            f"/lots/{lot}", f"/lots/{blocked}", f"/lots/{lot}/record", f"/lots/{blocked}/report", "/must-come-off", "/quality", "/receiving",
            f"/receiving/{delivery}", f"/receiving/{delivery}/correct", f"/receiving/{delivery}/labels", f"/spools/{clear}",
            f"/spools/{clear}/label", "/suppliers", f"/suppliers?grade_id={grade}", f"/suppliers/{supplier}/drift?grade_id={grade}",
            f"/suppliers/{supplier}/drift?grade_id={grade}&characteristic=color", f"/suppliers/{supplier}/drift.csv?grade_id={grade}",
            f"/suppliers/{supplier}/drift?grade_id={grade}&from=2026-06-01&to=2026-08-31", "/tabs",
        )
    ]  # fmt: skip
