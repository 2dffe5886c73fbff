"""Readings sent as columns: `{"columns": {"spool_code": [...], "d1_mm": [...]}}`, an array per field with an element per reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import copy
from dataclasses import replace
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from lots.api.http.errors import faults_from
from lots.api.http.fields import Said, Strict
from lots.services.errors import Fault, Invalid

_LIKE = 'Write it like {"columns": {"spool_code": ["A-1", "A-2"], ...}}.'


def is_columns(body: Any) -> bool:
    """Returns whether a body has columns."""
    return isinstance(body, dict) and set(body) == {"columns"}


def documented(schema: Schema, most: int) -> type[Schema]:
    """Returns the OpenAPI schema of the columns form of a schema, for at most `most` readings."""
    length = validate.Length(1, most)
    arrays: dict[str, Any] = {
        name: fields.List(_in_column(field), required=field.required, validate=length)
        for name, field in schema.load_fields.items()
    }
    name = type(schema).__name__.removesuffix("Args")
    about = "Arrays of equal length, with null if a reading has no value."
    inner = type(f"{name}ArraysArgs", (Strict,), {"__doc__": about, **arrays})
    return type(f"{name}ColumnsArgs", (Strict,), {"__doc__": about, "columns": fields.Nested(inner, required=True)})


def _in_column(field: fields.Field[Any]) -> fields.Field[Any]:
    """Returns the field of a column element. An optional one may be null."""
    one = copy(field)
    one.metadata = dict(field.metadata)
    if not field.required:
        one.allow_none = True
        if "enum" in one.metadata:
            one.metadata["enum"] = [*one.metadata["enum"], None]
    return one


def load(
    schema: Schema, body: Mapping[str, Any], most: int, of_the_rest: Callable[[dict[int, Any]], list[Fault]]
) -> list[dict[str, Any]]:
    """Returns the loaded readings of a body in columns.

    Args:
        schema: Schema of one reading.
        body: Request body, see `is_columns`.
        most: Maximum number of readings.
        of_the_rest: Returns further faults of the valid readings, by position, if others are invalid.

    Raises:
        Invalid: The faults of a list of objects, with pointers into the columns. Missing and unknown columns are reported once.
    """
    columns = body["columns"]
    count = _length(columns, most)
    whole = _whole_columns(schema, columns)
    known = {name: values for name, values in columns.items() if name not in whole}
    said = [{name: values[n] for name, values in known.items() if values[n] is not None} for n in range(count)]
    wrong: Any = {}
    try:
        rows: Any = schema.load(said, many=True)
    except ValidationError as error:
        rows, wrong = error.valid_data, error.messages
    if not wrong and not whole:
        return list(rows)
    # Errors of a whole column are not repeated for each reading.
    own = {place: {n: m for n, m in by_name.items() if n not in whole} for place, by_name in wrong.items()}
    rest = {} if whole else {place: row for place, row in enumerate(rows) if place not in wrong}
    found = [*faults_from(own, schema), *(of_the_rest(rest) if rest else ())]
    raise Invalid(*_of_columns(whole, schema), *map(in_column, found))


def _whole_columns(schema: Schema, columns: Mapping[str, Any]) -> dict[str, Any]:
    """Returns the errors of whole columns by name: unknown columns and missing required ones."""
    known = schema.load_fields
    found: dict[str, Any] = {name: [schema.error_messages["unknown"]] for name in columns if name not in known}
    missing = (name for name, field in known.items() if field.required and name not in columns)
    return {**found, **{name: [known[name].error_messages["required"]] for name in missing}}


def _of_columns(messages: Mapping[str, Any], schema: Schema | None) -> list[Fault]:
    """Returns the faults of whole columns, at their names."""
    return [replace(fault, pointer=f"/columns{fault.pointer}") for fault in faults_from(dict(messages), schema)]


def in_column(fault: Fault) -> Fault:
    """Returns a fault of a list with its pointer into the columns: /3/d1_mm becomes /columns/d1_mm/3.

    Example:
        >>> in_column(Fault("/3/lab/0", "L* is out of range.")).pointer
        '/columns/lab/3/0'
    """
    place, name, *within = [*fault.pointer.removeprefix("/").split("/"), ""]
    return replace(fault, pointer="/".join(["/columns", name, place, *filter(None, within)])) if name else fault


def _length(columns: Any, most: int) -> int:
    """Returns the number of readings in the columns."""
    if not isinstance(columns, dict) or not columns:
        raise Invalid(Fault("/columns", "This must be an object with an array for each field.", _LIKE))
    if none := {
        name: [Said("This must be an array.", _LIKE)] for name, each in columns.items() if not isinstance(each, list)
    }:
        raise Invalid(*_of_columns(none, None))
    lengths = {name: len(values) for name, values in columns.items()}
    count = next(iter(lengths.values()))
    if len(set(lengths.values())) > 1:
        said = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        hint = "Write null if a reading has no value."
        raise Invalid(Fault("/columns", f"The columns differ in length: {said}.", hint))
    if not 1 <= count <= most:
        hint = "Split longer lists into several requests." if count else "Send at least one reading."
        raise Invalid(Fault("/columns", f"Columns have 1 to {most} readings. These have {count}.", hint))
    return count
