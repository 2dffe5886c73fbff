"""The history of lots and of the shop, one hash chain each."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Instant, Text, WrittenWhole
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_args, page_schema
from lots.services.documents import events

routes = Routes("events", __name__, url_prefix="/v1/events", description="History of actions, as hash chains.")


class EventFilterArgs(PageArgs):
    """Filters for entries."""

    lot_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the lot"})
    by = Text(120, metadata={"description": "name of the author"})
    what = Text(60, one_of=events.ACTIONS, metadata={"description": "action"})
    made_from = Instant(data_key="from", metadata={"description": "earliest time"})
    made_to = Instant(data_key="to", metadata={"description": "latest time"})


class EventSchema(Schema):
    """An entry of a history. Its hash covers the previous entry, so that changes are detected."""

    id = fields.Integer(required=True)
    chain = fields.String(
        required=True,
        metadata={
            "description": "chain of the entry: `lot:7` for lot 7, `shop` for everything else",
            "example": "lot:7",
        },
    )
    number = fields.Integer(required=True, metadata={"description": "number in its chain, from 1 without gaps"})
    lot_id = fields.Integer(required=True, allow_none=True)
    at = Instant(required=True)
    by = fields.String(required=True)
    what = fields.String(required=True, metadata={"enum": list(events.ACTIONS)})
    rows = fields.Dict(
        keys=fields.String(),
        values=fields.List(fields.Integer()),
        required=True,
        metadata={"description": "numbers of added or changed rows by table"},
    )
    content = fields.Dict(
        keys=fields.String(),
        required=True,
        metadata={
            "description": "`rows` with digests, `values` with previous values that are stored only here, and `changes` as in the feed"
        },
    )
    previous = fields.String(required=True, metadata={"description": "hash of the previous entry; zeros for the first"})
    hash = fields.String(
        required=True,
        metadata={
            "description": (
                "SHA-256 of a JSON object with chain, number, at, by, what, content and previous. Names are sorted, without blanks, in ASCII. `at` is in UTC with six decimals and Z"
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
        """List the history.

        Each entry has its author and its time. Entries are in order and form hash chains. `lots check` on the server verifies that they
        are unchanged.
        """
        filters: Any
        filters, cursor, limit = page_args(args)
        return page_answer(events.listed(filters, cursor, limit))
