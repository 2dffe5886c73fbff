"""Rows of the database, for tests of what was stored."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from lots.store.engine import database
from lots.store.tables.models import TABLES


@contextmanager
def connected() -> Iterator[None]:
    """A connection within the block."""
    database.connect()
    try:
        yield
    finally:
        database.disconnect()


def counts() -> dict[str, int]:
    """The number of rows of each table."""
    names = [table._meta.table_name for table in TABLES]
    each = " UNION ALL ".join(f"SELECT '{n}', COUNT(*) FROM \"{n}\"" for n in names)  # our own names
    with connected():
        return dict(database.db.execute_sql(each).fetchall())


def contents() -> list[tuple[str, tuple[Any, ...]]]:
    """Every row of every table."""
    with connected():
        return [(table._meta.table_name, row) for table in TABLES for row in table.select().tuples()]
