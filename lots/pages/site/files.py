"""CSV answers of the API as files that pages offer."""

from __future__ import annotations

from typing import Any

from flask import Response, current_app, json

from lots.api.http.csv_answers import CSV
from lots.api.http.routes import Resource


def csv_file(name: str, resource: type[Resource], answer: Any) -> Response:
    """Returns an answer of a resource's GET as a CSV file, with the columns that the API has.

    Args:
        name: of the file, without its ending.
        resource: whose answer it is; it has rows.
        answer: as the service made it.
    """
    if resource.csv_table is None:
        raise TypeError("this resource has no rows")
    said = json.loads(current_app.json.dumps(answer))
    file = Response(resource.csv_table.text(said), mimetype=CSV)
    file.headers["Content-Disposition"] = f"attachment; filename={name}.csv"
    return file
