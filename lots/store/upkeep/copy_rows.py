"""Copies all rows from one database to another in chunks of one transaction each, and compares both."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from peewee import BooleanField, Database, FloatField, sort_models  # type: ignore[attr-defined]  # left out of its types

from lots.store.tables.models import TABLES, SchemaVersion
from lots.store.tables.row import Column, Row
from lots.store.upkeep.database_handles import Watch, in_words, unwatched

# SQLite allows 32,766 parameters per statement, PostgreSQL 65,535.
PARAMETERS = 30_000


@dataclass(frozen=True, slots=True)
class Compared:
    """A table in both databases: number of rows, SHA-256 of all rows, and the number of rows just copied."""

    table: str
    rows: tuple[int, int]
    digests: tuple[str, str]
    carried: int = 0

    @property
    def equal(self) -> bool:
        """True when both databases have the same rows."""
        return self.rows[0] == self.rows[1] and self.digests[0] == self.digests[1]


def tables() -> list[type[Row]]:
    """Returns all tables with data, each after the tables of its foreign keys.

    Notes:
        The schema version is not copied. A row refers only to earlier rows of its own table, so the order of ids suffices within a table.
    """
    return [model for model in sort_models(TABLES) if model is not SchemaVersion]


def held(engine: Database) -> dict[str, int]:
    """Returns the number of rows per table. One query per table."""
    return {
        _name(model): engine.execute_sql(f"SELECT COUNT(*) FROM {_quoted(model)}").fetchone()[0]  # noqa: S608  # our own names
        for model in tables()
    }


def carry(source: Database, target: Database, watch: Watch = unwatched, parameters: int = PARAMETERS) -> dict[str, int]:
    """Copies the rows above the highest id of each target table, and returns their numbers per table.

    Args:
        source: engine to read from, within a snapshot (`one_moment`).
        target: engine to write to, with all tables.
        watch: shows the rows copied and the total after each committed chunk.
        parameters: most values per statement, > 0.

    Raises:
        NotDone: the target rejected a row.
    """
    done, of = sum(held(target).values()), sum(held(source).values())
    watch("Copying rows", done, of)
    carried = dict.fromkeys(map(_name, tables()), 0)
    for model in tables():
        width = len(_columns(model))
        size = max(1, parameters // width)
        for rows in _chunks(source, model, size, above=_highest(target, model)):
            with in_words(f"The rows of {_name(model)} cannot be copied"), target.atomic():
                _insert(target, model, rows)
            done += len(rows)
            carried[_name(model)] += len(rows)
            watch("Copying rows", done, of)
    return carried


def set_numbering(target: Database) -> None:
    """Sets PostgreSQL's sequences to the highest ids. SQLite needs no such step."""
    if not target.sequences:
        return
    for model in tables():
        highest = _highest(target, model)
        target.execute_sql(
            "SELECT setval(pg_get_serial_sequence(%s, %s), %s, %s)",
            (_quoted(model), _key(model), highest or 1, highest is not None),
        )


def compare(source: Database, target: Database, watch: Watch = unwatched) -> list[Compared]:
    """Returns a comparison of every table by all its values."""
    found, done, of = [], 0, sum(held(source).values()) + sum(held(target).values())
    for model in tables():
        left, right = _digest(source, model), _digest(target, model)
        found.append(Compared(_name(model), (left[0], right[0]), (left[1], right[1])))
        done += left[0] + right[0]
        watch("Comparing rows", done, of)
    return found


def foreign(source: Database, target: Database) -> list[str]:
    """Returns the target tables that are not an interrupted copy, because their rows differ from the first rows of the source."""
    astray = []
    for model in tables():
        highest = _highest(target, model)
        if highest is not None and _digest(source, model, highest) != _digest(target, model):
            astray.append(_name(model))
    return astray


def _name(model: type[Row]) -> str:
    return str(model._meta.table_name)


def _quoted(model: type[Row]) -> str:
    return f'"{_name(model)}"'


def _key(model: type[Row]) -> str:
    return str(model.id.column_name)


def _columns(model: type[Row]) -> list[str]:
    return [field.column_name for field in model._meta.sorted_fields]


def _highest(engine: Database, model: type[Row]) -> int | None:
    sql = f'SELECT MAX("{_key(model)}") FROM {_quoted(model)}'  # noqa: S608  # our own names
    highest: int | None = engine.execute_sql(sql).fetchone()[0]
    return highest


def _chunks(
    engine: Database, model: type[Row], size: int, above: int | None = None, up_to: int | None = None
) -> Iterator[list[list[object]]]:
    """Yields rows in order of their ids, with values for either engine. One keyset query per chunk."""
    columns, key = _columns(model), _key(model)
    plain = [_plain(field) for field in model._meta.sorted_fields]
    place, mark = columns.index(key), engine.param
    names = ", ".join(f'"{column}"' for column in columns)
    while True:
        wheres = [f'"{key}" {sign} {mark}' for sign, end in ((">", above), ("<=", up_to)) if end is not None]
        where = f" WHERE {' AND '.join(wheres)}" if wheres else ""
        sql = f'SELECT {names} FROM {_quoted(model)}{where} ORDER BY "{key}" LIMIT {size}'  # noqa: S608  # our own names
        found = engine.execute_sql(sql, [end for end in (above, up_to) if end is not None]).fetchall()
        if not found:
            return
        yield [[v if f is None or v is None else f(v) for f, v in zip(plain, row, strict=True)] for row in found]
        above = found[-1][place]


def _plain(field: Column) -> Callable[[object], object] | None:
    """Returns the conversion that makes a column's values equal on both engines, or None. SQLite stores booleans as 0 and 1."""
    if isinstance(field, BooleanField):
        return bool
    return _without_negative_zero if isinstance(field, FloatField) else None


def _without_negative_zero(value: object) -> object:
    """Returns 0.0 for -0.0, which SQLite does not store. Another program may have stored a value that is not a number."""
    return value + 0.0 if isinstance(value, float) else value


def _insert(engine: Database, model: type[Row], rows: list[list[object]]) -> None:
    names = ", ".join(f'"{column}"' for column in _columns(model))
    one = f"({', '.join([engine.param] * len(rows[0]))})"
    sql = f"INSERT INTO {_quoted(model)} ({names}) VALUES {', '.join([one] * len(rows))}"  # noqa: S608  # our own names
    engine.execute_sql(sql, [value for row in rows for value in row])


def _digest(engine: Database, model: type[Row], up_to: int | None = None) -> tuple[int, str]:
    """Returns the number of rows and the SHA-256 of their JSON, one row per line. Floats are written in their shortest exact form."""
    count, digest = 0, hashlib.sha256()
    for rows in _chunks(engine, model, 2_000, up_to=up_to):
        count += len(rows)
        digest.update("".join(f"{json.dumps(row)}\n" for row in rows).encode("ascii"))
    return count, digest.hexdigest()
