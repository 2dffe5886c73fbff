"""Numbers and codes of what is set up, for every desk: a clerk needs a grade's number without being able to change grades."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.setup import catalog

routes = Routes("directory", __name__, url_prefix="/v1/directory", description="Numbers and codes of what is set up.")


class EntrySchema(Schema):
    """A number, a code and what it stands for."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    says = fields.String(required=True)


class InstrumentEntrySchema(EntrySchema):
    """An instrument among others."""

    measures = fields.List(
        fields.String(), required=True, allow_none=True, metadata={"description": "characteristics; null: not stated"}
    )


class DirectorySchema(Schema):
    """What is set up, by subject."""

    suppliers = fields.List(fields.Nested(EntrySchema), required=True)
    grades = fields.List(fields.Nested(EntrySchema), required=True)
    shades = fields.List(fields.Nested(EntrySchema), required=True)
    instruments = fields.List(fields.Nested(InstrumentEntrySchema), required=True)


@routes.route("")
class Directory(Resource):
    """What is set up."""

    who = {"GET": ALL}

    @routes.response(200, DirectorySchema)
    def get(self) -> Any:
        """List suppliers, grades, shades and instruments with their numbers and codes.

        Lists the first 500 of each. Every role may read it.
        """
        return catalog.directory()
