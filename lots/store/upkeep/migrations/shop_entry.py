"""The history entry of a migration step for the rows that it changed, equal to one of `audit.note`."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from peewee import SqliteDatabase

from lots.domain.hash_chain import BEGINNING, digest, entry_after

BY = "lots migrate"


class Engine:
    """Statements with the placeholders of the engine."""

    def __init__(self, db: Any) -> None:
        self.db, self.place = db, "?" if isinstance(db, SqliteDatabase) else "%s"

    def rows(self, text: str, *values: Any) -> list[Any]:
        """Returns all rows of a query."""
        return list(self.db.execute_sql(text.replace("?", self.place), values).fetchall())

    def many(self, text: str, values: Iterable[tuple[Any, ...]]) -> None:
        """Runs a statement once per tuple of values."""
        self.db.cursor().executemany(text.replace("?", self.place), list(values))


def note_changed(sql: Engine, table: str, numbers: list[int]) -> None:
    """Appends an entry with the digests of changed rows of a table."""
    if not numbers:
        return
    at = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    found = sql.rows("SELECT id, length, head FROM chain WHERE chain = 'shop'")
    chain, length, head = found[0] if found else (None, 0, BEGINNING)
    if chain is None:
        sql.many("INSERT INTO chain (chain, length, head) VALUES (?, ?, ?)", [("shop", 0, BEGINNING)])
    digests = [digest(row) for row in _stored(sql, table, numbers)]
    content = {"rows": {table: {"ids": numbers, "digests": digests}}}
    entry = entry_after((length, head) if length else None, "shop", at, BY, "shop migrated", content)
    text = json.dumps(content, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    sql.many(
        'INSERT INTO event (chain, number, at, "by", what, content, previous, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)',
        [("shop", entry.number, at, BY, "shop migrated", text, entry.previous, entry.hash)],
    )
    sql.many("UPDATE chain SET length = ?, head = ? WHERE chain = 'shop'", [(entry.number, entry.hash)])


def _stored(sql: Engine, table: str, numbers: list[int]) -> list[dict[str, Any]]:
    columns = [column.name for column in sql.db.get_columns(table)]
    each = ", ".join(f'"{column}"' for column in columns)
    wanted, found = set(numbers), []
    for values in sql.rows(f"SELECT {each} FROM {table} ORDER BY id"):  # noqa: S608  # a step's own words
        row = {name: value for name, value in zip(columns, values, strict=True) if value is not None}
        found += [row] if row["id"] in wanted else []
    return found
