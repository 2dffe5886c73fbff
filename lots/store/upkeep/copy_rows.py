"""Carries every row from one database to another, in chunks of one transaction each, and compares the two."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from peewee import BooleanField, Database, FloatField, sort_models  # type: ignore[attr-defined]  # left out of its types

from lots.store.tables.models import TABLES, SchemaVersion
from lots.store.tables.row import Column, Row
from lots.store.upkeep.database_handles import Watch, in_words, unwatched

# SQLite takes 32,766 parameters in one statement, PostgreSQL 65,535.
PARAMETERS = 30_000


@dataclass(frozen=True, slots=True)
class Compared:
    """A table on both sides: how many rows, the SHA-256 of them all, and how many of them were carried across just now."""

    table: str
    rows: tuple[int, int]
    digests: tuple[str, str]
    carried: int = 0

    @property
    def equal(self) -> bool:
        """True when both sides hold the same rows."""
        return self.rows[0] == self.rows[1] and self.digests[0] == self.digests[1]


def tables() -> list[type[Row]]:
    """Returns every table that holds a shop's data, each after those its rows refer to.

    Notes:
        The version of the schema is each database's own and not carried. A row refers to rows of its own table that were there
        before it, so that order by number is order of reference.
    """
    return [model for model in sort_models(TABLES) if model is not SchemaVersion]


def held(engine: Database) -> dict[str, int]:
    """Returns how many rows each table has. One query per table."""
    return {
        _name(model): engine.execute_sql(f"SELECT COUNT(*) FROM {_quoted(model)}").fetchone()[0]  # noqa: S608  # our own names
        for model in tables()
    }


def carry(source: Database, target: Database, watch: Watch = unwatched, parameters: int = PARAMETERS) -> dict[str, int]:
    """Copies the rows that the source has beyond the highest number in the target, and returns how many of each table.

    Args:
        source: engine to read from, best within `ends.one_moment`.
        target: engine to write to; it has the tables.
        watch: told after each chunk, which by then is committed, how many rows are there and how many there will be.
        parameters: most values in one statement, > 0.

    Raises:
        NotDone: the target refused a row.
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
    """Lets PostgreSQL number new rows on from the highest there is; SQLite does so by itself."""
    if not target.sequences:
        return
    for model in tables():
        highest = _highest(target, model)
        target.execute_sql(
            "SELECT setval(pg_get_serial_sequence(%s, %s), %s, %s)",
            (_quoted(model), _key(model), highest or 1, highest is not None),
        )


def compare(source: Database, target: Database, watch: Watch = unwatched) -> list[Compared]:
    """Returns every table as both sides hold it, read through to the last value."""
    found, done, of = [], 0, sum(held(source).values()) + sum(held(target).values())
    for model in tables():
        left, right = _digest(source, model), _digest(target, model)
        found.append(Compared(_name(model), (left[0], right[0]), (left[1], right[1])))
        done += left[0] + right[0]
        watch("Comparing rows", done, of)
    return found


def foreign(source: Database, target: Database) -> list[str]:
    """Returns the tables of the target whose rows are not the source's first ones, as a copy broken off would hold them."""
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
    """Rows in the order of their numbers, as both engines would take them. One query per chunk, by the primary key."""
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
    """What makes values of a column mean the same from both engines: SQLite answers 0 and 1 for false and true."""
    if isinstance(field, BooleanField):
        return bool
    return _one_zero if isinstance(field, FloatField) else None


def _one_zero(value: object) -> object:
    """SQLite keeps no negative zero; what somebody else wrote there may be no number at all."""
    return value + 0.0 if isinstance(value, float) else value


def _insert(engine: Database, model: type[Row], rows: list[list[object]]) -> None:
    names = ", ".join(f'"{column}"' for column in _columns(model))
    one = f"({', '.join([engine.param] * len(rows[0]))})"
    sql = f"INSERT INTO {_quoted(model)} ({names}) VALUES {', '.join([one] * len(rows))}"  # noqa: S608  # our own names
    engine.execute_sql(sql, [value for row in rows for value in row])


def _digest(engine: Database, model: type[Row], up_to: int | None = None) -> tuple[int, str]:
    """How many rows, and the SHA-256 of their JSON, one row a line: doubles in the shortest form that reads back as the same double."""
    count, digest = 0, hashlib.sha256()
    for rows in _chunks(engine, model, 2_000, up_to=up_to):
        count += len(rows)
        digest.update("".join(f"{json.dumps(row)}\n" for row in rows).encode("ascii"))
    return count, digest.hexdigest()
