"""Re-inspections of lots at the end of their shelf life."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import NUMBER, Instant, Strict, Text
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LotAfterSchema
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.services.assessment import reinspections

routes = Routes(
    "re-inspections",
    __name__,
    url_prefix="/v1/lots",
    description="Re-inspections of lots at the end of their shelf life.",
)


class ReinspectionArgs(Strict):
    """The characteristics to measure again, and the new use-by date."""

    example = {"measure": ["diameter"], "use_by": "2027-05-31T00:00:00Z", "reason": "The spools were kept dry."}

    measure = fields.List(
        Text(20, one_of=CHARACTERISTICS),
        required=True,
        validate=validate.Length(1, len(CHARACTERISTICS), error="Name at least one characteristic, each once."),
        error_messages={"required": "This is required."},
        metadata={
            "label": "Measure again",
            "description": "characteristics to measure again, from those that the limits require",
        },
    )
    use_by = Instant(
        required=True,
        metadata={
            "label": "New use-by date",
            "description": "new use-by date, at most one shelf life from now",
        },
    )
    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason", "description": "reason"})


class ReinspectionSchema(Schema):
    """A re-inspection. Its date is valid once each characteristic passes with readings taken and stored afterwards."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    measure = fields.List(fields.String(), required=True)
    use_by = Instant(required=True)
    reason = fields.String(required=True)
    complete = fields.Boolean(required=True, metadata={"description": "true if complete; use_by is then valid"})
    to_measure = fields.List(fields.String(), required=True, metadata={"description": "missing measurements, in words"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ReinspectedSchema(ReinspectionSchema):
    """A re-inspection, with the status of its lot."""

    lot = fields.Nested(LotAfterSchema, required=True)


@routes.route(f"/<{NUMBER}:number>/reinspections")
class Reinspections(Resource):
    """Re-inspections of a lot."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(ReinspectionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the re-inspections of a lot.

        They are in the order they were recorded. 404 for an unknown lot.
        """
        return page_answer(reinspections.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(ReinspectionArgs)
    @routes.response(201, ReinspectedSchema)
    def post(self, args: reinspections.Requested, number: int) -> Any:
        """Record a re-inspection.

        Use this at the end of the shelf life. State what to measure again and a new use-by date. The date is valid once
        each characteristic passes with new readings alone. 409 for a grade without a shelf life, and for a returned or
        scrapped lot.
        """
        return reinspections.request(number, args, person().name)
