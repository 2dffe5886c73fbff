"""Adds identities of codes, jobs and machines, forbidden uses, sample draws, delivery corrections, void agreements and re-inspections."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any

from peewee import SqliteDatabase

from lots.domain.code_identity import identity, likeness
from lots.domain.hash_chain import BEGINNING, digest, entry_after
from lots.store.upkeep.migrations.version_1_cautions import forbidden_uses
from lots.store.upkeep.migrations.version_2_tables import MADE_ANEW, NEW
from lots.store.upkeep.rebuild_table import rebuild

BY = "lots migrate"
# Columns that version 2's history does not cover, because they follow from others or only count changes.
DERIVED = {"job": ("likeness",), "machine": ("likeness", "version"), "grade": ()}
TRUTHS = {"grade": ("brightened",)}
# SQL for new required columns in terms of the old ones.
_FILLED = {"delivery": {"came_at": '"received_at"'}}

_ON_POSTGRESQL = (
    "ALTER TABLE grade ADD COLUMN filler_kind VARCHAR(10) CHECK (filler_kind IN ('none', 'pigment', 'mineral', 'fibre', 'other'))",
    "ALTER TABLE grade ADD COLUMN forbidden_uses TEXT",
    "ALTER TABLE grade ADD COLUMN permitted_uses TEXT",
    "ALTER TABLE grade ADD COLUMN forbidden_shapes TEXT",
    "ALTER TABLE instrument ADD COLUMN resolution DOUBLE PRECISION CHECK (resolution > 0)",
    "ALTER TABLE lot ALTER COLUMN lot_key DROP NOT NULL",
    "ALTER TABLE lot ADD COLUMN rules INTEGER",
    "ALTER TABLE lot ADD COLUMN steps_accepted TEXT",
    "ALTER TABLE lot ADD COLUMN reinspected_until TEXT",
    "ALTER TABLE lot ADD COLUMN wet TEXT",
    "ALTER TABLE lot ADD COLUMN identity VARCHAR(120)",
    "ALTER TABLE lot ADD COLUMN likeness VARCHAR(120)",
    "DROP INDEX lot_supplier_id_grade_id_lot_key",
    "ALTER TABLE delivery ADD COLUMN came_at TEXT",
    "UPDATE delivery SET came_at = received_at",
    "ALTER TABLE delivery ALTER COLUMN came_at SET NOT NULL",
    "ALTER TABLE delivery ADD COLUMN corrected TEXT",
    "DROP INDEX delivery_received_at",
    "ALTER TABLE spool ADD COLUMN identity VARCHAR(120)",
    "ALTER TABLE spool ADD COLUMN likeness VARCHAR(120)",
    "ALTER TABLE spool ADD COLUMN dry_at TEXT",
    "ALTER TABLE spool ADD COLUMN withdrawn_at TEXT",
    "DROP INDEX spool_code_lower",
    "DROP INDEX spool_in_stock",
    "ALTER TABLE reading_void ADD COLUMN held BOOLEAN",
    "ALTER TABLE decision ALTER COLUMN action TYPE VARCHAR(20)",
    "ALTER TABLE decision ADD COLUMN rules INTEGER",
    "ALTER TABLE decision ADD COLUMN steps_accepted TEXT",
    "ALTER TABLE load ADD COLUMN on_machine_id BIGINT REFERENCES machine (id)",
    "ALTER TABLE load ADD COLUMN of_job_id BIGINT REFERENCES job (id)",
    "DROP INDEX load_machine_loaded_at",
    "DROP INDEX load_open_machine",
)


def up(_migrator: Any, db: Any) -> None:
    """Creates the new tables and columns, then fills derived columns from existing rows."""
    on_file = isinstance(db, SqliteDatabase)
    tables = [*NEW, *MADE_ANEW]
    with db.bind_ctx(tables, bind_refs=False, bind_backrefs=False):
        db.create_tables(NEW, safe=False)
        if on_file:
            for model in MADE_ANEW:
                rebuild(db, model, _FILLED.get(model._meta.table_name))
        else:
            for statement in _ON_POSTGRESQL:
                db.execute_sql(statement)
            for model in MADE_ANEW:
                model._schema.create_indexes(safe=True)  # type: ignore[union-attr]  # of the ORM, unknown to its stubs
    sql = _Engine(db, "?" if on_file else "%s")
    _identify(sql, "spool", "code", ())
    _identify(sql, "lot", "supplier_lot", ("supplier_id", "grade_id"))
    jobs = _name(sql, "job", "number", "of_job_id")
    machines = _name(sql, "machine", "name", "on_machine_id")
    at = datetime.now(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    _note(sql, {"job": jobs, "machine": machines, "grade": _forbid(sql, at)}, at)


class _Engine:
    """Statements with the placeholders of the engine."""

    def __init__(self, db: Any, place: str) -> None:
        self.db, self.place = db, place

    def rows(self, text: str, *values: Any) -> list[Any]:
        """Returns all rows of a query."""
        return list(self.db.execute_sql(text.replace("?", self.place), values).fetchall())

    def many(self, text: str, values: Iterable[tuple[Any, ...]]) -> None:
        """Runs a statement once per tuple of values."""
        self.db.cursor().executemany(text.replace("?", self.place), list(values))


def _identify(sql: _Engine, table: str, column: str, within: tuple[str, ...]) -> None:
    """Fills the identity of codes. Of several codes with one identity, only the first gets it."""
    seen: set[tuple[Any, ...]] = set()
    filled = []
    each = ", ".join(("id", column, *within))
    for number, code, *apart in sql.rows(f"SELECT {each} FROM {table} ORDER BY id"):  # noqa: S608  # our own names
        key = (*apart, identity(code))
        filled.append((None if key in seen else key[-1], likeness(code), number))
        seen.add(key)
    sql.many(f"UPDATE {table} SET identity = ?, likeness = ? WHERE id = ?", filled)  # noqa: S608


def _name(sql: _Engine, table: str, column: str, refers: str) -> list[int]:
    """Stores a row for every job or machine of a load, as first typed, and returns their ids."""
    numbers: dict[str, int] = {}
    made, filled = [], []
    query = f"SELECT id, {table}, recorded_at, recorded_by FROM load ORDER BY id"  # noqa: S608
    for load, typed, at, by in sql.rows(query):
        folded = identity(typed)
        if folded not in numbers:
            numbers[folded] = len(numbers) + 1
            made.append((typed, folded, likeness(typed), at, by, *((1, 1) if table == "machine" else ())))
        filled.append((numbers[folded], load))
    slots = (", slots, version", ", ?, ?") if table == "machine" else ("", "")
    into = f"{column}, identity, likeness, recorded_at, recorded_by{slots[0]}"
    sql.many(f"INSERT INTO {table} ({into}) VALUES (?, ?, ?, ?, ?{slots[1]})", made)  # noqa: S608
    sql.many(f"UPDATE load SET {refers} = ? WHERE id = ?", filled)  # noqa: S608
    return list(numbers.values())


def _forbid(sql: _Engine, at: str) -> list[int]:
    """Fills forbidden uses from cautions, and returns the ids of the changed grades."""
    changed = []
    for number, cautions in sql.rows("SELECT id, cautions FROM grade ORDER BY id"):
        found = forbidden_uses(json.loads(cautions))
        if found:
            kept = [
                {"use": use, "reason": caution, "by": BY, "at": at, "from_caution": True}
                for use, caution in found.items()
            ]
            changed.append((json.dumps(kept, separators=(",", ":"), ensure_ascii=False), number))
    sql.many("UPDATE grade SET forbidden_uses = ? WHERE id = ?", changed)
    return [number for _, number in changed]


def _note(sql: _Engine, rows: dict[str, list[int]], at: str) -> None:
    """Appends one entry to the shop's history for all new and changed rows, equal to one of `audit.note`."""
    if not any(rows.values()):
        return
    chain, length, head = next(
        iter(sql.rows("SELECT id, length, head FROM chain WHERE chain = 'shop'")), (None, 0, BEGINNING)
    )
    if chain is None:
        sql.many("INSERT INTO chain (chain, length, head) VALUES (?, ?, ?)", [("shop", 0, BEGINNING)])
    content = {"rows": {table: _covering(sql, table, ids) for table, ids in rows.items() if ids}}
    entry = entry_after((length, head) if length else None, "shop", at, BY, "shop migrated", content)
    text = json.dumps(content, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    sql.many(
        'INSERT INTO event (chain, number, at, "by", what, content, previous, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)',
        [("shop", entry.number, at, BY, "shop migrated", text, entry.previous, entry.hash)],
    )
    sql.many("UPDATE chain SET length = ?, head = ? WHERE chain = 'shop'", [(entry.number, entry.hash)])


def _covering(sql: _Engine, table: str, ids: list[int]) -> dict[str, Any]:
    rows = list(_stored(sql, table, ids))
    # Jobs never change, so one digest covers all.
    return {"ids": ids, **({"digest": digest(rows)} if table == "job" else {"digests": [digest(row) for row in rows]})}


def _stored(sql: _Engine, table: str, ids: list[int]) -> Iterator[dict[str, Any]]:
    columns = [column.name for column in sql.db.get_columns(table) if column.name not in DERIVED[table]]
    each = ", ".join(f'"{column}"' for column in columns)
    wanted = set(ids)
    for values in sql.rows(f"SELECT {each} FROM {table} ORDER BY id"):  # noqa: S608
        row = {name: value for name, value in zip(columns, values, strict=True) if value is not None}
        for name in TRUTHS.get(table, ()):
            row[name] = bool(row[name])
        if row["id"] in wanted:
            yield row
