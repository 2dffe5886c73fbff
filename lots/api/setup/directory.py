"""Numbers and codes of suppliers, grades, shades and instruments, for every desk."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.setup import catalog

routes = Routes(
    "directory",
    __name__,
    url_prefix="/v1/directory",
    description="Numbers and codes of suppliers, grades, shades and instruments.",
)


class EntrySchema(Schema):
    """A number and a code, with their meaning."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    says = fields.String(required=True)


class InstrumentEntrySchema(EntrySchema):
    """An instrument in the directory."""

    measures = fields.List(
        fields.String(),
        required=True,
        allow_none=True,
        metadata={"description": "characteristics that it measures; null if not stated"},
    )


class DirectorySchema(Schema):
    """The directory, by subject."""

    suppliers = fields.List(fields.Nested(EntrySchema), required=True)
    grades = fields.List(fields.Nested(EntrySchema), required=True)
    shades = fields.List(fields.Nested(EntrySchema), required=True)
    instruments = fields.List(fields.Nested(InstrumentEntrySchema), required=True)


@routes.route("")
class Directory(Resource):
    """The directory."""

    who = {"GET": ALL}

    @routes.response(200, DirectorySchema)
    def get(self) -> Any:
        """List numbers and codes.

        Lists suppliers, grades, shades and instruments. The first 500 of each are listed.
        """
        return catalog.directory()
