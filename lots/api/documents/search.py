"""One search for everything that has a name, for every desk."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Strict, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.documents import search as service

routes = Routes("search", __name__, url_prefix="/v1/search", description="One search for everything that has a name.")


class SearchArgs(Strict):
    """What to look for."""

    q = Text(
        200,
        required=True,
        metadata={
            "label": "Search",
            "description": "the whole code of a spool, or the address on its label; a part of any other name",
        },
    )


class HitSchema(Schema):
    """Something that was found."""

    id = fields.Integer(required=True, metadata={"description": "its number; of an order that of its delivery"})
    name = fields.String(required=True)
    says = fields.String(required=True, metadata={"description": "what it belongs to, in words"})
    exact = fields.Boolean(required=True, metadata={"description": "true when its whole name was typed"})
    lot_id = fields.Integer(required=True, allow_none=True, metadata={"description": "of a spool, a lot or an order"})


class GroupSchema(Schema):
    """What was found of one kind."""

    kind = fields.String(required=True, metadata={"description": "spool, lot, order, job, supplier, grade or machine"})
    items = fields.List(
        fields.Nested(HitSchema), required=True, metadata={"description": "exact ones first, 20 at most"}
    )
    more = fields.Boolean(required=True, metadata={"description": "true when more match; type more of the name"})


class SearchSchema(Schema):
    """What a search found."""

    asked = fields.String(required=True, metadata={"description": "what was looked for"})
    groups = fields.List(fields.Nested(GroupSchema), required=True, metadata={"description": "kinds with a match"})
    similar_spools = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "codes that may be this one misread, where no spool has it"},
    )


@routes.route("")
class Search(Resource):
    """Everything that has a name."""

    who = {"GET": ALL}

    @routes.arguments(SearchArgs, location="query")
    @routes.response(200, SearchSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Find a spool, lot, order, job, supplier, grade or machine by its name.

        A spool is found by its whole code, however it is written. Everything else is found by a part of its name, in any case. Lists 20 of each
        kind at most.
        """
        return service.search(args["q"])
