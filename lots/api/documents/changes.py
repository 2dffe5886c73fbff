"""The feed of changes for programs."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from flask import request
from marshmallow import Schema, ValidationError, fields

from lots.api.http.fields import Instant, Said, Strict, Text, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.documents import changes

routes = Routes("changes", __name__, url_prefix="/v1/changes", description="Feed of changes for programs.")

_AFTER = "`after` or an `id` from an earlier answer. By default the feed starts at the beginning. `latest` answers the newest position without changes. Positions stay valid after the database is restored or moved"
_KINDS = "only these kinds, comma-separated: " + ", ".join(changes.KINDS)


class Kinds(Text):
    """Kinds of change with commas between them."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> Any:
        wanted = [kind.strip() for kind in super()._deserialize(value, attr, data, **kw).split(",")]
        if unknown := [kind for kind in wanted if kind not in changes.KINDS]:
            hint = f"Write one or more of: {', '.join(changes.KINDS)}."
            raise ValidationError(Said(f'"{unknown[0]}" is not a kind of change.', hint))
        return wanted


class ChangeArgs(Strict):
    """Position and kinds of changes."""

    after = Text(40, metadata={"description": _AFTER, "example": "1042.0"})
    limit = WrittenWhole(1, 500, load_default=100, metadata={"description": "changes per page"})
    kinds = Kinds(400, load_default=(), metadata={"description": _KINDS, "example": "lot.blocked,containment.opened"})


class FeedChangeSchema(Schema):
    """A change. Fields that do not apply to its kind are null."""

    id = fields.String(required=True, metadata={"description": "position in the feed", "example": "1042.0"})
    entry_id = fields.Integer(required=True, metadata={"description": "`id` of its entry in /v1/events"})
    at = Instant(required=True)
    kind = fields.String(required=True, metadata={"enum": list(changes.KINDS)})
    by = fields.String(required=True)
    lot_id = fields.Integer(required=True, allow_none=True)
    load_id = fields.Integer(required=True, allow_none=True)
    containment_id = fields.Integer(required=True, allow_none=True)
    instrument_id = fields.Integer(required=True, allow_none=True)
    supplier_lot = fields.String(required=True, allow_none=True)
    spool_code = fields.String(required=True, allow_none=True)
    machine = fields.String(required=True, allow_none=True)
    job = fields.String(required=True, allow_none=True)
    instrument_code = fields.String(required=True, allow_none=True)
    before = fields.Dict(
        keys=fields.String(),
        required=True,
        allow_none=True,
        metadata={
            "description": (
                "previous state; null if there was none. A lot has `standing` and `uses`. A load has `machine`, `job`, `use` and `spool_code`"
            )
        },
    )
    after = fields.Dict(
        keys=fields.String(),
        required=True,
        metadata={
            "description": (
                "new state, in the same form. An unload has `remaining_mass_g`. A containment also has `reason`, `certainty` and `still_loaded`. An instrument has `due_at`"
            )
        },
    )


class FeedPageSchema(Schema):
    """Changes in order."""

    items = fields.List(fields.Nested(FeedChangeSchema), required=True)
    next = fields.String(
        required=True, allow_none=True, metadata={"description": "URL of the next page; null on the last page"}
    )
    after = fields.String(
        required=True, metadata={"description": "position for the next request, also if `next` is null"}
    )


@routes.route("")
class Changes(Resource):
    """The feed of changes."""

    who = {"GET": ALL}

    @routes.arguments(ChangeArgs, location="query")
    @routes.response(200, FeedPageSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """List changes after a position.

        Each change appears once, in order. Follow `next` until it is null, then continue later with `after`. With
        `kinds`, a page may hold fewer changes than `limit`, or none, before the end. 422 for an unknown position.
        """
        found = changes.read(args.get("after"), args["limit"], args["kinds"])
        after = str(found.after)
        body = {"items": found.items, "next": None, "after": after}
        if not found.more:
            return body
        url = f"{request.script_root}{request.path}?{urlencode({**request.args.to_dict(), 'after': after})}"
        return {**body, "next": url}, {"Link": f'<{url}>; rel="next"'}
