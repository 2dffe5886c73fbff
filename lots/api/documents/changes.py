"""The feed of changes that programs follow."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from flask import request
from marshmallow import Schema, ValidationError, fields

from lots.api.http.fields import Instant, Said, Strict, Text, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.services.documents import changes

routes = Routes("changes", __name__, url_prefix="/v1/changes", description="What changed, for programs that follow it.")

_AFTER = (
    "the `after` or an `id` of an earlier answer: what came after it is answered. Left out: from the beginning. `latest`: the newest "
    "position, without changes. Positions stay valid, also after the database was restored or moved."
)
_KINDS = "only these, with commas between: " + ", ".join(changes.KINDS)


class Kinds(Text):
    """Kinds of change with commas between them."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> Any:
        wanted = [kind.strip() for kind in super()._deserialize(value, attr, data, **kw).split(",")]
        if unknown := [kind for kind in wanted if kind not in changes.KINDS]:
            hint = f"Write one or more of: {', '.join(changes.KINDS)}."
            raise ValidationError(Said(f'"{unknown[0]}" is no kind of change.', hint))
        return wanted


class ChangeArgs(Strict):
    """Which changes."""

    after = Text(40, metadata={"description": _AFTER, "example": "1042.0"})
    limit = WrittenWhole(1, 500, load_default=100, metadata={"description": "changes in an answer"})
    kinds = Kinds(400, load_default=(), metadata={"description": _KINDS, "example": "lot.blocked,containment.opened"})


class FeedChangeSchema(Schema):
    """A change. Numbers and codes that its kind does not have are null."""

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
                "the state before, null where there was none. Of a lot `standing` and `uses` (use -> verdict), of a load `machine`, "
                "`job`, `use` and `spool_code`"
            )
        },
    )
    after = fields.Dict(
        keys=fields.String(),
        required=True,
        metadata={
            "description": (
                "the state after, in the same form. Of a spool that came off `remaining_mass_g`; of a containment also `reason`, "
                "`certainty` and `still_loaded`; of an instrument `due_at`"
            )
        },
    )


class FeedPageSchema(Schema):
    """Changes in the order in which they were made."""

    items = fields.List(fields.Nested(FeedChangeSchema), required=True)
    next = fields.String(
        required=True, allow_none=True, metadata={"description": "URL of the next page, null at the end"}
    )
    after = fields.String(
        required=True, metadata={"description": "the position to ask from later, also where `next` is null"}
    )


@routes.route("")
class Changes(Resource):
    """The feed of changes."""

    who = {"GET": ALL}

    @routes.arguments(ChangeArgs, location="query")
    @routes.response(200, FeedPageSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """List what changed after a position of the history.

        Changes come in order, each of them once. Follow `next` while there is one, then ask again with `after`. With `kinds` a page may hold
        fewer changes than `limit`, even none, though `next` leads on. 422 for a position that the history does not have.
        """
        found = changes.read(args.get("after"), args["limit"], args["kinds"])
        after = str(found.after)
        body = {"items": found.items, "next": None, "after": after}
        if not found.more:
            return body
        url = f"{request.script_root}{request.path}?{urlencode({**request.args.to_dict(), 'after': after})}"
        return {**body, "next": url}, {"Link": f'<{url}>; rel="next"'}
