"""Answers as CSV (RFC 4180) on request: the rows of a list or report, with a column per field."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import Response, current_app, request
from marshmallow import Schema, fields, validate

from lots.api.http.errors import problem
from lots.domain.words import listed
from lots.services.files.formula_guard import guarded
from lots.services.files.spectral_columns import COLUMNS, in_columns

# Fields of a spectrum in an answer.
_SPECTRUM = {"start_nm", "step_nm", "values"}
JSON, CSV = "application/json", "text/csv"
_FORM = (
    "The first row is the header. Fields of objects are columns such as `voided.reason`. A spectrum has columns "
    "`nm400`, `nm410` and so on. Lists and maps are JSON text. Missing values are empty. "
    "Text that a spreadsheet would read as a formula starts with an apostrophe."
)
_Row = Mapping[str, Any]
_Columns = Sequence[tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Table:
    """The CSV form of an answer.

    Args:
        columns: Paths of fields in a row, independent of the answer.
        rows: Returns the rows of a JSON answer.
        about: Meaning of a row, for the OpenAPI document; empty for a page of a list.
    """

    columns: _Columns
    rows: Callable[[Any], Iterable[_Row]]
    about: str = ""

    @property
    def says(self) -> str:
        """Description in the OpenAPI document."""
        if not self.about:
            return (
                f"The same page as CSV. {_FORM} The `Link` header leads to the next page, which has the same columns."
            )
        return f"{self.about} as CSV. {_FORM} Columns: {', '.join(_header(self.columns))}."

    def text(self, answer: Any, left_out: Collection[str] = ()) -> str:
        """Returns a JSON answer as CSV text, without the columns of `left_out` fields."""
        return as_csv([path for path in self.columns if path[0] not in left_out], self.rows(answer))


def of_list(schema: Schema, name: str, *, beside: bool = False) -> Table:
    """Returns the table of an answer whose rows are the objects of one of its lists.

    Args:
        schema: Schema of the whole answer.
        name: Name of the list.
        beside: If True, each row starts with the fields of the answer other than lists. An empty list then gives one row.
    """
    below = columns_of(_nested(schema.fields[name]))
    if not beside:
        return Table(below, lambda answer: answer[name], f"One row for each entry of `{name}`")
    own = [path for path in columns_of(schema) if not isinstance(schema.fields.get(path[0]), fields.List)]

    def rows(answer: _Row) -> Iterator[_Row]:
        for one in answer[name] or [None]:
            yield {**answer, name: one}

    return Table(
        [*own, *((name, *path) for path in below)],
        rows,
        f"One row for each entry of `{name}`, with the fields of the whole answer,",
    )


def _nested(field: Any) -> Schema:
    """Returns the schema of the objects of a list."""
    inner = getattr(field, "inner", field)
    if not isinstance(inner, fields.Nested):
        raise TypeError("rows are objects")
    return inner.schema


def table_of(method: Any) -> Table | None:
    """Returns the CSV table of a method's answer with status 200; None if it has no rows."""
    stated: Table | None = getattr(method, "csv_table", None)
    if stated is not None:
        return stated
    pages: Iterator[Any] = (one["schema"] for one in _answered(method) if _is_page(one.get("schema")))
    return next(
        (Table(columns_of(_nested(page.fields["items"])), lambda answer: answer["items"]) for page in pages), None
    )


def _answered(method: Any) -> Sequence[_Row]:
    """Returns the documented answers of a method with status 200."""
    found: Sequence[_Row] = getattr(method, "_apidoc", {}).get("response", {}).get("responses", {}).get(200, ())
    return found


def _is_page(schema: Any) -> bool:
    return isinstance(schema, Schema) and {"items", "next"} <= set(schema.fields)


def as_asked(response: Response, table: Table | None, left_out: Collection[str], method: Any) -> Response:
    """Returns an answer in the type of the Accept header: unchanged, or its rows as CSV.

    If only CSV is acceptable and there are no rows, the answer is 406. Other unavailable types get JSON.
    """
    asked = request.accept_mimetypes
    if table is not None:
        response.vary.add("Accept")
        if response.mimetype == JSON and asked.best_match([JSON, CSV], JSON) == CSV:
            response.set_data(table.text(response.get_json(), left_out))
            response.content_type = f"{CSV}; charset=utf-8; header=present"
    elif not asked.quality(response.mimetype or JSON) and any(
        kind.split(";")[0] == CSV and share for kind, share in asked
    ):
        return _no_rows(method)
    return response


def _no_rows(method: Any) -> Response:
    known = dict.fromkeys(one.get("content_type") or JSON for one in reversed(_answered(method)))
    text = f"This answer is not available as CSV. It is available as {listed([*known], 'or')}. Name one of these in the header `Accept`."
    return problem(406, "no-csv", "CSV not available", text, headers=[("Vary", "Accept")])


def offered() -> list[str]:
    """Returns the type CSV where the path of this request has rows, else nothing."""
    view: Any = current_app.view_functions.get(request.endpoint or "")
    return [CSV] if getattr(getattr(view, "view_class", None), "csv_table", None) else []


def columns_of(schema: Schema) -> list[tuple[str, ...]]:
    """Returns the columns of a row as paths in the order of the schema, independent of the values."""
    named: Iterator[tuple[str, Any]] = ((field.data_key or name, field) for name, field in schema.fields.items())
    return [(name, *below) for name, field in named for below in _below(field)]


def _below(field: Any) -> Iterable[tuple[str, ...]]:
    """Returns the columns of a field, as paths relative to it."""
    if keys := _keys_of(field):
        return [(key, *below) for key in keys for below in columns_of(field.value_field.schema)]
    if not isinstance(field, fields.Nested) or field.many:
        return [()]
    return [(column,) for column in COLUMNS] if set(field.schema.fields) == _SPECTRUM else columns_of(field.schema)


def _keys_of(field: Any) -> Sequence[str]:
    """Returns the keys of a map of objects with fixed keys; empty for other fields."""
    stated = getattr(getattr(field, "key_field", None), "validate", None)
    objects = isinstance(getattr(field, "value_field", None), fields.Nested)
    return [*map(str, stated.choices)] if objects and isinstance(stated, validate.OneOf) else []


def as_csv(columns: _Columns, rows: Iterable[_Row]) -> str:
    """Returns rows as CSV text with a header, lines ending in CRLF."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_header(columns))
    writer.writerows([_cell(row, path) for path in columns] for row in rows)
    return out.getvalue()


def _header(columns: _Columns) -> list[str]:
    # The first spectrum of a row has plain wavelength columns. Columns of a second have its name as prefix.
    first = next((path[0] for path in columns if path[-1] in COLUMNS), None)
    plain = {path for path in columns if path[0] == first and path[-1] in COLUMNS}
    return [path[-1] if path in plain else ".".join(path) for path in columns]


def _cell(row: Any, path: tuple[str, ...]) -> str:
    value = row
    if path[-1] in COLUMNS:
        value = {path[0]: in_columns(row.get(path[0]))}
    for name in path:
        value = value.get(name) if isinstance(value, dict) else None
    if value is None:
        return ""
    if isinstance(value, str):
        return guarded(value)
    return json.dumps(value, ensure_ascii=False)
