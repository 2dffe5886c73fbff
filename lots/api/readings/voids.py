"""Voids of readings, agreement of quality, and confirmation of unusual readings."""

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

routes = Routes("voids", __name__, url_prefix="/v1", description="Voids and confirmations of readings.")


class VoidArgs(Strict):
    """The reason for a void, and the replacement reading."""

    example = {"reason": "1.57 was typed for 1.75."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "reason why it is not a valid measurement"},
    )
    replaced_by = StrictInteger(
        1,
        MAX_ID,
        allow_none=True,
        metadata={"description": "number of the replacement reading, of the same lot and kind"},
    )


class AgreeArgs(Strict):
    """The reason for agreeing to a void."""

    example = {"reason": "1.57 was typed for 1.75."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "reason why it is not a valid measurement"},
    )


class ConfirmArgs(Strict):
    """The reason why an unusual reading is correct."""

    example = {"reason": "The same place was measured twice."}

    reason = Text(
        2000, lines=True, allow_none=True, metadata={"label": "Reason", "description": "reason why it is correct"}
    )


class VoidFilterArgs(PageArgs):
    """Filters for voids."""

    held = WrittenTruth(
        metadata={"description": "true for voids that wait for the agreement of quality, false for the others"}
    )


class VoidedSchema(ReadingSchema):
    """The reading, with the state of its lot."""

    lot = fields.Nested(LotAfterSchema, required=True)


class VoidSchema(VoidLineSchema):
    """A void, with its reading and its lot."""

    id = fields.Integer(required=True)
    reading_id = fields.Integer(required=True)
    kind = fields.String(required=True, metadata={"enum": list(CHARACTERISTICS)})
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    says = fields.String(required=True, metadata={"description": "reading in words"})


def of_quality(who: Person) -> bool:
    """Returns whether a person may void or confirm readings of others."""
    return who.role in ("quality", "admin")


@routes.route("/voids")
class Voids(Resource):
    """All voids."""

    who = {"GET": ("quality",)}

    @routes.arguments(VoidFilterArgs, location="query")
    @routes.response(200, page_schema(VoidSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List voided readings.

        Voids are in the order they were recorded. `held=true` lists voids that wait for the approval of quality.
        """
        return page_answer(voids.listed(waiting=args.get("held"), cursor=args.get("cursor"), limit=args["limit"]))


@routes.route(f"/readings/<{NUMBER}:number>/void")
class Void(Resource):
    """The void of a reading."""

    who = {"POST": BENCH}

    @routes.arguments(VoidArgs)
    @routes.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Void a reading.

        The reading stays visible, and its lot is reassessed without it. Quality may void any reading. The person who
        stored a reading may void it within ten minutes. 403 for anyone else, 409 after that time. If such a void would
        improve the verdict, the lot stays in quarantine until quality agrees, and the void counts as a retest. 409 if
        the reading is already void.
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
        """Agree to a void.

        The void was made by the person who stored the reading, and waits for quality. The lot is reassessed without the
        reading. 409 for the person who made the void, and if no void is waiting.
        """
        return voids.agree(number, args["reason"], person().name)


@routes.route(f"/readings/<{NUMBER}:number>/confirm")
class Confirm(Resource):
    """The confirmation of an unusual reading."""

    who = {"POST": BENCH}

    @routes.arguments(ConfirmArgs)
    @routes.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Confirm an unusual reading.

        The reading lies far from its neighbours. Once confirmed it counts, and its lot is reassessed. Quality may
        confirm any reading. Others may confirm their own. 403 for anyone else. 409 if there is nothing to confirm.
        """
        who = person()
        return confirmations.confirm(number, args.get("reason"), who.name, of_quality=of_quality(who))
