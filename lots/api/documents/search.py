"""A search by name, for every desk."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Strict, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.documents import search as service

routes = Routes("search", __name__, url_prefix="/v1/search", description="Search by name.")


class SearchArgs(Strict):
    """A search text."""

    q = Text(
        200,
        required=True,
        metadata={
            "label": "Search",
            "description": "whole spool code or address on its label, or part of any other name",
        },
    )


class HitSchema(Schema):
    """A match."""

    id = fields.Integer(required=True, metadata={"description": "number; for an order, the number of its delivery"})
    name = fields.String(required=True)
    says = fields.String(required=True, metadata={"description": "context in words"})
    exact = fields.Boolean(required=True, metadata={"description": "true if the whole name matches"})
    lot_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the lot; null for other kinds"}
    )


class GroupSchema(Schema):
    """The matches of one kind."""

    kind = fields.String(
        required=True, metadata={"description": "kind: spool, lot, order, job, supplier, grade or machine"}
    )
    items = fields.List(
        fields.Nested(HitSchema), required=True, metadata={"description": "matches, exact ones first, at most 20"}
    )
    more = fields.Boolean(required=True, metadata={"description": "true if there are more matches"})


class SearchSchema(Schema):
    """The result of a search."""

    asked = fields.String(required=True, metadata={"description": "search text"})
    groups = fields.List(fields.Nested(GroupSchema), required=True, metadata={"description": "kinds with matches"})
    similar_spools = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "similar spool codes, if no spool has this code"},
    )


@routes.route("")
class Search(Resource):
    """Search by name."""

    who = {"GET": ALL}

    @routes.arguments(SearchArgs, location="query")
    @routes.response(200, SearchSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Search by name.

        Finds spools, lots, orders, jobs, suppliers, grades and machines. A spool needs its whole code, in any spelling.
        Everything else is found by part of its name, in any case. At most 20 of each kind are listed.
        """
        return service.search(args["q"])
