"""A shop of any size for benchmarks: one lot of each supplier's grade goes through the program, and SQL copies the others, on either engine."""

from __future__ import annotations

import json
import random
from datetime import timedelta
from typing import Any

from flask import Flask
from peewee import ForeignKeyField

from lots.app import create_app
from lots.services import clock
from lots.services.setup import access, roles
from lots.settings import Settings
from lots.store.engine import database
from lots.store.engine.column_types import Instant
from lots.store.setup import names
from lots.store.tables.decisions import Decision
from lots.store.tables.loads import Job, Load
from lots.store.tables.models import Chain, Delivery, Event, Lot, Reading, RepeatedRequest, Spool
from tests.shop import CONDITIONS, MEASURED, WHITE, Shop
from tests.store.rows import connected

SPOOLS, SAMPLED, DIAMETERS, COLORS = 10, 5, 40, 10
BACK_DAYS, IN_STOCK, MACHINES = 730, 0.05, 200
LIMITS = {
    "sampling": {"fixed": SAMPLED},
    "color": {"lot_max": 1.0, "step_max": 0.8, "readings_per_spool_min": 3},
    "diameter": {"mean_tolerance_mm": 0.03, "reading_tolerance_mm": 0.05, "ovality_max_mm": 0.05},
}
# What grows with every lot, and from which number on copies are counted: as wide as numbers are after ten years.
COPIED: dict[Any, int] = {
    Lot: 3_000_000,
    Delivery: 3_000_000,
    Spool: 30_000_000,
    Reading: 800_000_000,
    Decision: 10_000_000,
    Job: 20_000_000,
    Load: 30_000_000,
    Chain: 3_000_000,
    Event: 100_000_000,
    RepeatedRequest: 100_000_000,
}
NAMES = {model: model._meta.table_name for model in COPIED}


def build(url: str, lots: int) -> tuple[Flask, dict[str, str]]:
    """Returns the application on an empty database filled with about so many lots, and a token for each role.

    Two suppliers, two grades; ten spools a lot, five of them measured fifty times; every spool loaded and used up, except in the newest lots.
    Numbers have the width of ten years later, so that rows and indexes have their final size.
    """
    app = create_app(Settings(database=url, log_level="error"))
    with connected():
        tokens = {role: access.add_token(role, role) for role in roles.ROLES}
    shop, chance = Shop(app, tokens), random.Random(20261126)
    meters = [_meter(shop, code, kind) for code, kind in (("MIC-1", "micrometer"), ("COL-1", "colorimeter"))]
    suppliers = [shop.supplier(code) for code in ("QWT", "NBK")]
    grades = [shop.grade(code, LIMITS) for code in ("PLA-HW-175", "PLA-WB-175")]
    patterns = [(supplier, grade) for supplier in suppliers for grade in grades]
    for number, (supplier, grade) in enumerate(patterns):
        _pattern(shop, supplier, grade, f"Q-{number}", meters, chance)
    with connected():
        _copy(lots // len(patterns), chance)
    # Connections that were set up for copying end here.
    database.close()
    database.open_database(url)
    return app, tokens


def _meter(shop: Shop, code: str, kind: str) -> int:
    made = shop.post("quality", "/instruments", {"code": code, "kind": kind, "check_interval_days": 365})
    check = {"checked_at": "2026-11-20T07:00:00Z", "result": "pass"}
    shop.post("quality", f"/instruments/{made['id']}/checks", check)
    return int(made["id"])


def _pattern(shop: Shop, supplier: Any, grade: Any, lot: str, meters: list[int], chance: random.Random) -> None:
    """A lot through the shop: received, five spools of ten measured, a list for each spool and kind, every spool loaded and used up."""
    keys = (f"{lot}-{number:030d}" for number in range(10_000))
    body = {"supplier_id": supplier["id"], "grade_id": grade["id"], "supplier_lot": lot, "order_ref": f"PO-{lot}"}
    came = {"received_at": "2026-11-20T08:00:00Z", "spool_count": SPOOLS, "net_mass_g": 1000}
    cost = {"cost": 180.0, "currency": "EUR", "due_at": "2026-11-21T08:00:00Z"}
    delivery = shop.post("receiving", "/deliveries", {**body, **came, **cost}, Idempotency_Key=next(keys))
    for code in delivery["sample"]["spool_codes"]:
        common = {"spool_code": code, "measured_at": MEASURED}
        across = [[round(chance.gauss(1.75, 0.006), 3) for _ in range(2)] for _ in range(DIAMETERS)]
        ways = [
            {**common, "instrument_id": meters[0], "position_m": 8 * place, "d1_mm": one, "d2_mm": other}
            for place, (one, other) in enumerate(across)
        ]
        shop.post("quality", "/diameter-readings", ways, Idempotency_Key=next(keys))
        labs = [[round(chance.gauss(value, 0.1), 2) for value in WHITE] for _ in range(COLORS)]
        colors = [{**common, "instrument_id": meters[1], "lab": lab, "conditions": CONDITIONS} for lab in labs]
        shop.post("quality", "/color-readings", colors, Idempotency_Key=next(keys))
    for number, spool in enumerate(delivery["spools"]):
        load = {"spool_code": spool["code"], "machine": f"P{number}", "job": f"J-{lot}-{number // 2}", "use": "general"}
        load |= {"confirm_new_job": True}
        made = shop.post("production", "/loads", load, Idempotency_Key=next(keys))
        shop.post("production", f"/loads/{made['id']}/unload", {"remaining_mass_g": 0}, Idempotency_Key=next(keys))


def _copy(times: int, chance: random.Random) -> None:
    """Copies everything of the present lots so many times, each on another day of the last two years."""
    engine = database.db
    quick = (
        ("SET session_replication_role = replica", "SET synchronous_commit = off", "SET statement_timeout = 0")
        if database.locks_rows()
        else ("PRAGMA foreign_keys = OFF", "PRAGMA ignore_check_constraints = ON", "PRAGMA synchronous = OFF")
    )
    for statement in quick:
        engine.execute_sql(statement)
    for number in range(MACHINES):
        names.named("machine", f"P{number}", "bench", clock.now())
    # Days end before the patterns were received, so that nothing is in the future.
    days = [clock.now() - timedelta(days=10 + BACK_DAYS * (times - k) / times) for k in range(times)]
    engine.execute_sql("CREATE TEMP TABLE copy (k BIGINT, day TEXT)")
    _many("INSERT INTO copy (k, day) VALUES (?, ?)", [(k, f"{day:%Y-%m-%d}") for k, day in enumerate(days)])
    strides = {model: 1 + (model.select(model.id).order_by(model.id.desc()).first().id) for model in COPIED}
    only = {Chain: "chain <> 'shop'", Event: "lot_id IS NOT NULL"}
    for model, table in NAMES.items():
        engine.execute_sql(
            f"CREATE TEMP TABLE pattern_{table} AS SELECT * FROM {table} WHERE {only.get(model, '1 = 1')}"
        )
        for column in _NUMBERED.get(model, ()):
            rows = engine.execute_sql(f"SELECT {column}, id FROM pattern_{table}").fetchall()
            made = [(json.dumps(_widened(json.loads(text)), separators=(",", ":")), n) for text, n in rows if text]
            _many(f"UPDATE pattern_{table} SET {column} = ? WHERE id = ?", made)
    for model, table in NAMES.items():
        fields = model._meta.sorted_fields
        filled = ", ".join(f'"{field.column_name}"' for field in fields)
        chosen = ", ".join(_copied(model, field, strides) for field in fields)
        engine.execute_sql(
            f"INSERT INTO {table} ({filled}) SELECT {chosen} FROM copy c, pattern_{table} r ORDER BY c.k, r.id"
        )
        # The patterns become the oldest of all, as their numbers have it.
        aged = [
            f"{field.column_name} = '{days[0]:%Y-%m-%d}' || substr({field.column_name}, 11)"
            for field in fields
            if isinstance(field, Instant)
        ]
        if aged:
            engine.execute_sql(f"UPDATE {table} SET {', '.join(aged)} WHERE id < {COPIED[model]}")
    _differ(chance)
    if database.locks_rows():
        engine.execute_sql("VACUUM ANALYZE")


# Columns whose documents hold numbers of rows.
_NUMBERED = {Decision: ("reading_ids",), Event: ("content",)}


def _widened(said: Any) -> Any:
    """The same document with numbers of full width; references to other tables are as short as for a few rows."""
    if isinstance(said, dict):
        return {name: _widened(value) for name, value in said.items()}
    if isinstance(said, list):
        return [COPIED[Reading] + one if isinstance(one, int) else _widened(one) for one in said]
    return said


def _copied(model: Any, field: Any, strides: dict[Any, int]) -> str:
    """The value of a column in a copied row."""
    column = f'r."{field.column_name}"'
    of = field.rel_model if isinstance(field, ForeignKeyField) else model if field.primary_key else None
    if (model, field.name) == (Event, "lot_id"):
        of = Lot
    if field.name == "chain":
        return f"'lot:' || ({COPIED[Lot]} + c.k * {strides[Lot]} + CAST(substr({column}, 5) AS BIGINT))"
    if of in COPIED:
        return f"{COPIED[of]} + c.k * {strides[of]} + {column}"
    if isinstance(field, Instant):
        return f"c.day || substr({column}, 11)"
    if (
        field.name in ("code", "supplier_lot", "lot_key", "order_ref", "job", "number", "identity", "likeness", "key")
        and model is not Event
    ):
        return f"{column} || '-' || c.k"
    if model is Load and field.name in ("machine", "on_machine"):
        # The rest of a division, in words that both engines and both drivers take.
        place = "(c.k * 7 + r.id)"
        place = f"({place} - {place} / {MACHINES} * {MACHINES})"
        return f"'P' || {place}" if field.name == "machine" else f"1 + {place}"
    return column


def _many(sql: str, rows: list[tuple[Any, ...]]) -> None:
    with database.db.atomic():
        database.db.connection().cursor().executemany(sql.replace("?", database.db.obj.param), rows)


def _differ(chance: random.Random) -> None:
    """Gives lots different figures, some another status, and refills the spools of the newest, a few of them on machines."""
    rows = database.db.execute_sql("SELECT id, figures, lab FROM lot ORDER BY id").fetchall()
    changed = []
    for number, text, lab in rows:
        figures = json.loads(text)
        for name, figure in figures["measures"].items():
            figure[0] += chance.gauss(0, 0.1 if name.startswith("color") else 0.004)
        apart = [value + chance.gauss(0, 0.2) for value in json.loads(lab)]
        standing = chance.choices(("released", "blocked", "quarantined"), (95, 4, 1))[0]
        changed.append((json.dumps(figures, separators=(",", ":")), json.dumps(apart), standing, number))
    _many("UPDATE lot SET figures = ?, lab = ?, standing = ? WHERE id = ?", changed)
    newest = rows[-round(IN_STOCK * len(rows))][0]
    _many("UPDATE spool SET remaining_mass_g = 600 WHERE lot_id >= ?", [(newest,)])
    loads = f"SELECT machine, spool_id, id FROM load ORDER BY id DESC LIMIT {MACHINES}"
    open_ = database.db.execute_sql(loads).fetchall()[:: SPOOLS // 2]
    _many("UPDATE load SET unloaded_at = NULL, remaining_mass_g = NULL WHERE id = ?", [(one[2],) for one in open_])
    _many("UPDATE spool SET machine = ? WHERE id = ?", [one[:2] for one in open_])
