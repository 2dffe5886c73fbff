"""Who did what when: the history of lots and of the shop, one hash chain each."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Instant, Text, WrittenWhole
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_args, page_schema
from lots.services.documents import events

routes = Routes("events", __name__, url_prefix="/v1/events", description="Who did what when, in chains of hashes.")


class EventFilterArgs(PageArgs):
    """Which entries."""

    lot_id = WrittenWhole(1, MAX_ID)
    by = Text(120, metadata={"description": "who did it"})
    what = Text(60, one_of=events.ACTIONS)
    made_from = Instant(data_key="from", metadata={"description": "made from this moment on"})
    made_to = Instant(data_key="to", metadata={"description": "made up to this moment"})


class EventSchema(Schema):
    """An entry of a history. Entries are never changed: the hash of each covers the one before."""

    id = fields.Integer(required=True)
    chain = fields.String(
        required=True,
        metadata={"description": "`lot:7`, or `shop` for what concerns no single lot", "example": "lot:7"},
    )
    number = fields.Integer(required=True, metadata={"description": "place in its chain, from 1 without gaps"})
    lot_id = fields.Integer(required=True, allow_none=True)
    at = Instant(required=True)
    by = fields.String(required=True)
    what = fields.String(required=True, metadata={"enum": list(events.ACTIONS)})
    rows = fields.Dict(
        keys=fields.String(),
        values=fields.List(fields.Integer()),
        required=True,
        metadata={"description": "table -> numbers of the rows that were added or changed"},
    )
    content = fields.Dict(
        keys=fields.String(),
        required=True,
        metadata={
            "description": "`rows` with their digests, `values` where the former ones are kept nowhere else, and `changes` as the feed tells them"
        },
    )
    previous = fields.String(required=True, metadata={"description": "hash of the entry before; zeros for the first"})
    hash = fields.String(
        required=True,
        metadata={
            "description": (
                "SHA-256 of the JSON object of chain, number, at (UTC with six decimals and Z), by, what, content and previous, names "
                "sorted, without blanks, ASCII alone"
            )
        },
    )


@routes.route("")
class Events(Resource):
    """The history."""

    who = {"GET": ("quality",)}

    @routes.arguments(EventFilterArgs, location="query")
    @routes.response(200, page_schema(EventSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List who did what and when, in the order it was done.

        Events are chained by hashes. `lots check` on the server proves that none was changed.
        """
        filters: Any
        filters, cursor, limit = page_args(args)
        return page_answer(events.listed(filters, cursor, limit))
