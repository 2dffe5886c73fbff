"""Adds the shop's details, a version of instruments, and search keys of lots, orders and jobs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from peewee import SqliteDatabase

from lots.domain.code_identity import search_keys
from lots.store.upkeep.migrations.shop_entry import Engine
from lots.store.upkeep.migrations.version_6_tables import NEW, Instrument
from lots.store.upkeep.rebuild_table import rebuild

_VERSION = (
    "ALTER TABLE instrument ADD COLUMN version INTEGER",
    "UPDATE instrument SET version = 1",
    "ALTER TABLE instrument ALTER COLUMN version SET NOT NULL",
)


def up(_migrator: Any, db: Any) -> None:
    """Adds tables and a column, and the search keys of all existing names."""
    with db.bind_ctx(NEW, bind_refs=False, bind_backrefs=False):
        db.create_tables(NEW, safe=False)
    if isinstance(db, SqliteDatabase):
        rebuild(db, Instrument, {"version": "1"})
    else:
        for statement in _VERSION:
            db.execute_sql(statement)
    sql = Engine(db)
    sql.many('INSERT INTO search_key (kind, "key", refers_to) VALUES (?, ?, ?)', _keys(sql))


def _keys(sql: Engine) -> Iterator[tuple[str, str, int]]:
    for kind, number, name in _names(sql):
        for key in search_keys(name or ""):
            yield kind, key, number


def _names(sql: Engine) -> Iterator[tuple[str, int, str | None]]:
    for number, name in sql.rows("SELECT id, supplier_lot FROM lot ORDER BY id"):
        yield "lot", number, name
    for number, logged, corrected in sql.rows("SELECT id, order_ref, corrected FROM delivery ORDER BY id"):
        yield "order", number, json.loads(corrected or "{}").get("order_ref", logged)
    for number, name in sql.rows("SELECT id, number FROM job ORDER BY id"):
        yield "job", number, name
