"""Databases for copies: rows of every table with values that a careless copy would change, and PostgreSQL databases per test."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from peewee import BooleanField, CharField, DoubleField, ForeignKeyField

from lots.store.engine import database
from lots.store.engine.column_types import Instant, Json
from lots.store.upkeep import schema
from lots.store.upkeep.copy_rows import tables

# The only words that the constraints allow.
WORDS = {
    ("lot", "standing"): "released",
    ("instrument_check", "result"): "pass",
    ("instrument_study", "kind"): "agreement",
    ("grade", "filler_kind"): "mineral",
    ("letter", "claim"): "credit",
}
# Floats that need more than fifteen digits, the smallest one, and the largest one that all constraints allow (a diameter below 10 mm).
DOUBLES = (0.1 + 0.2, 1 / 3, 5e-324, 2.2250738585072014e-308, 9.999999999999998)


def fill(url: str, rows: int = 5, first: int = 0) -> None:
    """Creates the tables with so many rows each, from number `first` on, with gaps."""
    database.open_database(url)
    database.connect()
    schema.ensure_schema()
    with database.transaction():
        for model in tables():
            for i in range(first, first + rows):
                values = {field.name: _value(model, field, i) for field in model._meta.sorted_fields}
                model.insert(values).execute()
    database.close()


def _value(model: Any, field: Any, i: int) -> Any:
    table = model._meta.table_name
    if field.primary_key:
        return _number(i)
    if (table, field.name) in WORDS:
        return WORDS[table, field.name]
    if field.name == "by_hand" or (field.null and i % 3 == 1):
        return None
    if isinstance(field, ForeignKeyField):
        itself = field.rel_model is model
        return (_number(i - 1) if i else None) if itself else _number(i)
    if isinstance(field, BooleanField):
        return i % 2 == 0
    if isinstance(field, DoubleField):
        return DOUBLES[i % len(DOUBLES)]
    if isinstance(field, Instant):
        return datetime(2026, 11, 25, 23, 59, 59, 999_999 - i, UTC)
    if isinstance(field, Json):
        return {"ä %s ? \u2028": [1.0, 0.1 + 0.2, -0.0, 1e300, None, True, "\\", '"', i]}
    if isinstance(field, CharField):
        return f"{i} é%s?'\"\\ {field.name}"[: field.max_length]
    return f"{i} zwei\n\tZeilen ☃ 𝛥 %s ? \" ' \\" if field.field_type == "TEXT" else i + 1


def _number(i: int) -> int:
    return 3 * i + 2


def dump(path: Path) -> dict[str, list[Any]]:
    """Every value of every table of an SQLite file with its type, without the schema version."""
    with closing(sqlite3.connect(path)) as file:
        found = {}
        for model in tables():
            name = model._meta.table_name
            columns = [field.column_name for field in model._meta.sorted_fields]
            each = ", ".join(f'"{column}", typeof("{column}")' for column in columns)
            found[name] = file.execute(f'SELECT {each} FROM "{name}" ORDER BY id').fetchall()  # our own names
        return found


@contextmanager
def new_postgres(postgres_url: str, purpose: str) -> Iterator[str]:
    """The address of a new empty database on the named server."""
    import psycopg

    name = f"lots_{purpose}_{os.getpid()}"
    with psycopg.connect(postgres_url, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    try:
        yield f"{postgres_url.rpartition('/')[0]}/{name}"
    finally:
        database.close()
        with psycopg.connect(postgres_url, autocommit=True) as admin:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


def emptied(url: str) -> str:
    """The same address after the PostgreSQL database was emptied, faster than a new one."""
    import psycopg

    with psycopg.connect(url, autocommit=True) as admin:
        admin.execute("DROP SCHEMA public CASCADE")
        admin.execute("CREATE SCHEMA public")
    return url
