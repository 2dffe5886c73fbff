"""Voids of readings, the agreement of quality to those by the authors, and confirmations of readings far from their neighbours."""

from __future__ import annotations

from typing import Any

from marshmallow import fields

from lots.api.http.fields import MAX_ID, NUMBER, Strict, StrictInteger, Text, WrittenTruth
from lots.api.http.roles import BENCH
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LotAfterSchema
from lots.api.readings.readings import ReadingSchema, VoidLineSchema
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.services.readings import confirmations, voids
from lots.services.setup.access import Person

routes = Routes("voids", __name__, url_prefix="/v1", description="Readings that do not count, and why.")


class VoidArgs(Strict):
    """Why a reading does not count, and which takes its place."""

    example = {"reason": "1.57 was typed for 1.75."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "why it never was a measurement, in words"},
    )
    replaced_by = StrictInteger(
        1,
        MAX_ID,
        allow_none=True,
        metadata={"description": "number of the reading in its place, of the same lot and kind"},
    )


class AgreeArgs(Strict):
    """Why quality agrees to a void."""

    example = {"reason": "1.57 was typed for 1.75."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "why it never was a measurement, in words"},
    )


class ConfirmArgs(Strict):
    """Why a reading far from its neighbours is right."""

    example = {"reason": "The same place was measured twice."}

    reason = Text(
        2000, lines=True, allow_none=True, metadata={"label": "Reason", "description": "why it is right, in words"}
    )


class VoidFilterArgs(PageArgs):
    """Which voids."""

    held = WrittenTruth(
        metadata={"description": "true: those that wait for the agreement of quality; false: the others"}
    )


class VoidedSchema(ReadingSchema):
    """The reading as it stands, with where its lot stands without it."""

    lot = fields.Nested(LotAfterSchema, required=True)


class VoidSchema(VoidLineSchema):
    """A void, with its reading and its lot."""

    id = fields.Integer(required=True)
    reading_id = fields.Integer(required=True)
    kind = fields.String(required=True, metadata={"enum": list(CHARACTERISTICS)})
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    says = fields.String(required=True, metadata={"description": "what was measured, in words"})


def of_quality(who: Person) -> bool:
    """Returns whether somebody may void, or confirm, what others stored."""
    return who.role in ("quality", "admin")


@routes.route("/voids")
class Voids(Resource):
    """All voids."""

    who = {"GET": ("quality",)}

    @routes.arguments(VoidFilterArgs, location="query")
    @routes.response(200, page_schema(VoidSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List voids in the order they were made.

        `held=true` lists those that wait for the agreement of quality.
        """
        return page_answer(voids.listed(waiting=args.get("held"), cursor=args.get("cursor"), limit=args["limit"]))


@routes.route(f"/readings/<{NUMBER}:number>/void")
class Void(Resource):
    """Voiding a reading."""

    who = {"POST": BENCH}

    @routes.arguments(VoidArgs)
    @routes.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Void a reading.

        It stays visible, and its lot is judged again without it. Quality may void any reading. The author of a reading may void it for ten minutes.
        403 for anybody else, 409 later. An author's void that would improve the verdict leaves the lot in quarantine until quality agrees, and
        counts as a retest. 409 when the reading is void already.
        """
        who = person()
        return voids.void(number, args["reason"], args.get("replaced_by"), who.name, of_quality=of_quality(who))


@routes.route(f"/readings/<{NUMBER}:number>/void/agree")
class AgreeToVoid(Resource):
    """The agreement of quality to a void by the author of a reading."""

    who = {"POST": ("quality",)}

    @routes.arguments(AgreeArgs)
    @routes.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Agree to an author's void that waits for quality.

        The lot is judged again without the reading. 409 for the author of the void, and where no void waits.
        """
        return voids.agree(number, args["reason"], person().name)


@routes.route(f"/readings/<{NUMBER}:number>/confirm")
class Confirm(Resource):
    """The confirmation of a reading far from its neighbours."""

    who = {"POST": BENCH}

    @routes.arguments(ConfirmArgs)
    @routes.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Confirm a reading far from its neighbours.

        From then on it counts, and its lot is judged again. Quality may confirm any reading, and its author may. 403 for anybody else. 409 where there is
        nothing to confirm.
        """
        who = person()
        return confirmations.confirm(number, args.get("reason"), who.name, of_quality=of_quality(who))
