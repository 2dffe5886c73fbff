"""Builds in doubt, because their control lies outside its chart."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, Strict, Text, WrittenTruth
from lots.api.http.roles import ALL
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LotAfterSchema
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.services.readings import build_doubts

routes = Routes(
    "build_doubts", __name__, url_prefix="/v1/build-doubts", description="Builds whose control lies outside its chart."
)


class DoubtFilterArgs(PageArgs):
    """Which doubts."""

    in_force = WrittenTruth(metadata={"description": "true: not lifted yet; false: lifted"})


class LiftArgs(Strict):
    """Why the prints of a build count all the same."""

    example = {"reason": "The control bar had a void from a blocked nozzle."}

    reason = Text(2000, lines=True, required=True, metadata={"description": "why the prints of the build count"})


class BuildDoubtSchema(Schema):
    """A doubt about a build. Prints of the build do not count while it is in force."""

    id = fields.Integer(required=True)
    kind = fields.String(
        required=True, metadata={"enum": list(CHARACTERISTICS), "description": "what was measured of the control"}
    )
    says = fields.String(required=True)
    lifted_at = Instant(required=True, allow_none=True)
    lifted_by = fields.String(required=True, allow_none=True)
    lifted_reason = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class LiftedSchema(BuildDoubtSchema):
    """A doubt that was lifted, with where the lots stand that have prints of the build."""

    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


@routes.route("")
class BuildDoubts(Resource):
    """All doubts."""

    who = {"GET": ALL}

    @routes.arguments(DoubtFilterArgs, location="query")
    @routes.response(200, page_schema(BuildDoubtSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List doubts about builds in the order they were raised.

        A build is in doubt when its control specimen lies outside its control chart. Its prints do not count until quality lifts the doubt.
        """
        return page_answer(build_doubts.listed(args.get("in_force"), args.get("cursor"), args["limit"]))


@routes.route(f"/<{NUMBER}:number>/lift")
class Lift(Resource):
    """Lifting a doubt."""

    who = {"POST": ("quality",)}

    @routes.arguments(LiftArgs)
    @routes.response(201, LiftedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Lift a doubt about a build.

        The prints of the build count again, and their lots are judged again. 409 when the doubt was lifted before.
        """
        return build_doubts.lift(number, args["reason"], person().name)
