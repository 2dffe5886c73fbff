"""A list as CSV (RFC 4180) where the request asks for text/csv: the same rows as the JSON page, one column for every field."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Collection, Iterable
from typing import Any

from flask import Response, request
from marshmallow import Schema, fields

from lots.services.files.formula_guard import guarded
from lots.services.files.spectral_columns import COLUMNS, in_columns

# What an object in an answer has when it is a spectrum.
_SPECTRUM = {"start_nm", "step_nm", "values"}
JSON, CSV = "application/json", "text/csv"
SAYS = (
    "The same page as CSV: a header row; fields of objects as columns such as `voided.reason`, a spectrum as columns "
    "`nm400`, `nm410`, ..., lists and maps as JSON text; "
    "empty where there is no value. Text that a spreadsheet would take for a formula has an apostrophe in front. The `Link` header "
    "leads to the next page, whose columns are the same."
)


def item_of_page(schema: Any) -> Schema | None:
    """Returns the schema of a row when this is the schema of a page, otherwise None."""
    if not isinstance(schema, Schema) or not {"items", "next"} <= set(schema.fields):
        return None
    inner = getattr(schema.fields["items"], "inner", None)
    return inner.schema if isinstance(inner, fields.Nested) else None


def answered_item(method: Any) -> Schema | None:
    """Returns the schema of a row of what a resource's method answers with 200, None when that is no page."""
    said = getattr(method, "_apidoc", {}).get("response", {}).get("responses", {}).get(200, ())
    return next((item for one in said if (item := item_of_page(one.get("schema")))), None)


def as_asked(response: Response, item: Schema | None, left_out: Collection[str]) -> Response:
    """Returns a page as the request's Accept header asks for it: as it is, or as CSV."""
    if item is None:
        return response
    response.vary.add("Accept")
    if request.accept_mimetypes.best_match([JSON, CSV], JSON) != CSV:
        return response
    columns = [column for column in columns_of(item) if column[0] not in left_out]
    response.set_data(as_csv(columns, response.get_json()["items"]))
    response.content_type = f"{CSV}; charset=utf-8; header=present"
    return response


def columns_of(schema: Schema) -> list[tuple[str, ...]]:
    """Returns the columns of a row as paths, in the order of the schema: they do not depend on what the rows hold."""
    found: list[tuple[str, ...]] = []
    for name, field in schema.fields.items():
        if not isinstance(field, fields.Nested) or field.many:
            found.append((name,))
        elif set(field.schema.fields) == _SPECTRUM:
            found += [(name, column) for column in COLUMNS]
        else:
            found += [(name, *below) for below in columns_of(field.schema)]
    return found


def as_csv(columns: list[tuple[str, ...]], rows: Iterable[dict[str, Any]]) -> str:
    """Returns rows as CSV text with a header, lines ending in CRLF."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    # One spectrum of a row has the wavelengths to itself; columns of a second begin with its name, so that none stands twice.
    first = next((path[0] for path in columns if path[-1] in COLUMNS), None)
    plain = {path for path in columns if path[0] == first and path[-1] in COLUMNS}
    writer.writerow([path[-1] if path in plain else ".".join(path) for path in columns])
    writer.writerows([_cell(row, path) for path in columns] for row in rows)
    return out.getvalue()


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
