"""Suspect builds, with a control specimen outside its control limits."""

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
    "build_doubts",
    __name__,
    url_prefix="/v1/build-doubts",
    description="Suspect builds, with a control specimen outside its control limits.",
)


class DoubtFilterArgs(PageArgs):
    """Filters for doubts."""

    in_force = WrittenTruth(metadata={"description": "true for doubts in force, false for lifted ones"})


class LiftArgs(Strict):
    """The reason for lifting a doubt."""

    example = {"reason": "The control specimen had a void from a blocked nozzle."}

    reason = Text(2000, lines=True, required=True, metadata={"description": "reason why the prints of the build count"})


class BuildDoubtSchema(Schema):
    """A doubt about a build. Prints of the build do not count while it is in force."""

    id = fields.Integer(required=True)
    kind = fields.String(
        required=True,
        metadata={"enum": list(CHARACTERISTICS), "description": "characteristic measured on the control specimen"},
    )
    says = fields.String(required=True)
    lifted_at = Instant(required=True, allow_none=True)
    lifted_by = fields.String(required=True, allow_none=True)
    lifted_reason = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class LiftedSchema(BuildDoubtSchema):
    """A lifted doubt, with the status of the lots that have prints of the build."""

    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


@routes.route("")
class BuildDoubts(Resource):
    """All doubts."""

    who = {"GET": ALL}

    @routes.arguments(DoubtFilterArgs, location="query")
    @routes.response(200, page_schema(BuildDoubtSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List suspect builds.

        They are in the order they were found. A build is suspect if its control specimen lies outside the control
        limits. Its prints do not count until quality lifts the doubt.
        """
        return page_answer(build_doubts.listed(args.get("in_force"), args.get("cursor"), args["limit"]))


@routes.route(f"/<{NUMBER}:number>/lift")
class Lift(Resource):
    """The lifting of a doubt."""

    who = {"POST": ("quality",)}

    @routes.arguments(LiftArgs)
    @routes.response(201, LiftedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Lift the doubt about a build.

        The prints of the build count again, and their lots are reassessed. 409 if the doubt was already lifted.
        """
        return build_doubts.lift(number, args["reason"], person().name)
