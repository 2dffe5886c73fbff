"""Prepared queries, whose SQL is generated once per engine, and bulk inserts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Generic, TypeVar, cast

from peewee import (
    OP,
    SQL,
    AutoField,
    CharField,
    DoubleField,
    Expression,
    Field,
    FloatField,
    ForeignKeyField,
    IntegerField,
    Model,
    ModelCursorWrapper,
    ModelSelect,
    TextField,
    Value,
)

from lots.store.engine.database import db

_M = TypeVar("_M", bound=Model)
_Reader = Callable[[object], object]
_SharedObjects = dict[object, SimpleNamespace | None]
# Builds the objects of the rows of one result.
_RowBuilder = Callable[[Iterable[tuple[object, ...]]], list[SimpleNamespace | None]]
# Columns of these types need no conversion with either driver.
_AS_STORED = (AutoField, CharField, DoubleField, FloatField, ForeignKeyField, IntegerField, TextField)


class _Placeholder(str):
    """A named placeholder."""


def given(name: str) -> Value:
    """Returns a named placeholder for a value of a prepared query."""
    return Value(_Placeholder(name), converter=False)


class _Compiled(Generic[_M]):
    """A select whose SQL is generated once per engine. Values are bound without conversion."""

    def __init__(self, build: Callable[[], ModelSelect[_M]]) -> None:
        self._build = build
        self._compiled: dict[type, tuple[ModelSelect[_M], str, tuple[object, ...]]] = {}

    def _run(self, values: Mapping[str, object]) -> tuple[ModelSelect[_M], Iterable[tuple[object, ...]]]:
        """Returns the query and its result rows. One query."""
        kind = type(db.obj)
        if kind not in self._compiled:
            query = self._build()
            text, given_values = query.sql()
            self._compiled[kind] = (query, text, tuple(given_values))
        query, sql, places = self._compiled[kind]
        bound = [values[one] if isinstance(one, _Placeholder) else one for one in places]
        return query, db.execute_sql(sql, bound)


class Prepared(_Compiled[_M]):
    """A prepared select over models and their joins.

    Generating the SQL of a wide join takes about twenty times as long as running it. Rows are plain read-only objects with the models'
    names: `row.code`, `row.lot_id`, `row.lot.supplier`. A row missing from an outer join is None. Columns that were not selected are
    absent. A joined row that several rows of a result share, such as the grade of many lots, is one object, so its JSON is parsed once.

    Args:
        build: returns the query, with `given(name)` for each value. Values are bound without conversion, so values of our own column
            types (Instant, Json) are not possible.
    """

    def __init__(self, build: Callable[[], ModelSelect[_M]]) -> None:
        super().__init__(build)
        self._makers: dict[type, _RowBuilder] = {}

    def all(self, **values: object) -> list[_M]:
        """Returns all rows, typed as the model whose attributes they have. One query."""
        query, found = self._run(values)
        made = self._makers.get(type(db.obj))
        if made is None:
            made = self._makers[type(db.obj)] = _row_builder(query)
        return cast("list[_M]", made(found))

    def first(self, **values: object) -> _M | None:
        """Returns the first row, or None. One query, which should find at most one row."""
        found = self.all(**values)
        return found[0] if found else None


class PreparedModels(_Compiled[_M]):
    """A prepared select whose rows are model instances, which can be changed and saved."""

    def all(self, **values: object) -> list[_M]:
        """Returns all rows. One query."""
        query, found = self._run(values)
        selected = (query._returning, query._from_list, query._joins)  # type: ignore[attr-defined]  # left out of its types
        return list(ModelCursorWrapper(found, query.model, *selected))


def insert(model: type[Model], rows: Sequence[Mapping[str, object]]) -> list[int]:
    """Stores rows in one statement and returns their ids in the same order.

    The ORM would generate the SQL value by value, which takes twenty times as long as storing the rows.

    Args:
        model: the table.
        rows: at least one, each with a value for every column except the id. SQLite allows at most 32,766 values in all.
    """
    fields = [field for field in model._meta.sorted_fields if not isinstance(field, AutoField)]
    values = [field.db_value(row[field.name]) for row in rows for field in fields]
    quote, mark = db.obj.quote, db.obj.param
    table, number, *columns = (
        f"{quote[0]}{name}{quote[1]}"
        for name in (model._meta.table_name, "id", *(field.column_name for field in fields))
    )
    places = ", ".join([f"({', '.join([mark] * len(fields))})"] * len(rows))
    sql = f"INSERT INTO {table} ({', '.join(columns)}) VALUES {places} RETURNING {number}"  # noqa: S608  # names of our own columns
    # Ids rise in the order of the rows. The order of RETURNING is not specified, so they are sorted.
    return sorted(row[0] for row in db.execute_sql(sql, values).fetchall())


def update(model: type[Model], number: int, values: Mapping[str, object]) -> None:
    """Updates columns of one row by its id. One statement, generated without the ORM, because an assessment updates many spools."""
    fields = [model._meta.fields[name] for name in values]
    quote, mark = db.obj.quote, db.obj.param
    table, key, *columns = (
        f"{quote[0]}{name}{quote[1]}"
        for name in (model._meta.table_name, "id", *(field.column_name for field in fields))
    )
    places = ", ".join(f"{column} = {mark}" for column in columns)
    bound = [field.db_value(value) for field, value in zip(fields, values.values(), strict=True)]
    db.execute_sql(f"UPDATE {table} SET {places} WHERE {key} = {mark}", [*bound, number])  # noqa: S608  # names of our own columns


def numbered(key: Field[int], numbers: Sequence[int]) -> Expression:
    """Returns the condition that a row's id is in a list. The ids are literals, because thousands of placeholders are slow to generate."""
    return Expression(key, OP.IN, SQL(f"({', '.join(str(int(number)) for number in numbers)})"))


@dataclass(frozen=True, slots=True)
class _Part:
    """The columns of one model within a result row: their positions, names and converters."""

    model: type[Model]
    places: slice[int, int, None]
    names: tuple[str, ...]
    converters: tuple[tuple[str, _Reader], ...]

    def of(self, row: tuple[object, ...], seen: _SharedObjects | None) -> SimpleNamespace | None:
        """Returns the object of a row, or None if an outer join found no row, so that the first column, the id, is NULL.

        Args:
            row: its values.
            seen: shared objects by id, to which a new one is added; None if each row has its own object.
        """
        if seen is not None:
            number = row[self.places.start]
            if number not in seen:
                seen[number] = self.of(row, None)
            return seen[number]
        values = row[self.places]
        if values[0] is None:
            return None
        one = SimpleNamespace(**dict(zip(self.names, values, strict=True)))
        held = one.__dict__
        for name, convert in self.converters:
            held[name] = convert(held[name])
        return one


def _row_builder(query: ModelSelect[_M]) -> _RowBuilder:
    """Returns the function that builds objects from result rows."""
    parts, joins = _parts(query), query._joins  # type: ignore[attr-defined]  # left out of its types
    there = {part.model for part in parts}
    links = [(source, attr, to) for source, joined in joins.items() for to, attr, _, _ in joined if to in there]
    # Objects without joined rows of their own can be shared by id.
    ends = there - {query.model, *(source for source, _, _ in links)}

    def linked(objects: dict[type[Model], SimpleNamespace | None]) -> SimpleNamespace | None:
        for source, attr, to in links:
            if objects[source] is not None:
                setattr(objects[source], attr, objects[to])
        return objects[query.model]

    def made(rows: Iterable[tuple[object, ...]]) -> list[SimpleNamespace | None]:
        seen: dict[type[Model], _SharedObjects] = {model: {} for model in ends}
        each = [(part, seen.get(part.model)) for part in parts]
        return [linked({part.model: part.of(row, known) for part, known in each}) for row in rows]

    return made


def _parts(query: ModelSelect[_M]) -> list[_Part]:
    fields: dict[type[Model], list[tuple[int, Field[object]]]] = {}
    for place, field in enumerate(query._returning):  # type: ignore[attr-defined]  # left out of its types
        fields.setdefault(field.model, []).append((place, field))
    parts = []
    for model, mine in fields.items():
        named = [
            (field.object_id_name if isinstance(field, ForeignKeyField) else field.name, field) for _, field in mine
        ]
        converters = tuple((name, field.python_value) for name, field in named if type(field) not in _AS_STORED)
        places = slice(mine[0][0], mine[-1][0] + 1)
        parts.append(_Part(model, places, tuple(name for name, _ in named), converters))
    return parts
