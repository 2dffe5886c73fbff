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
    description="Lots inspected again at the end of their shelf life.",
)


class ReinspectionArgs(Strict):
    """What to measure again, and until when the lot may then be used."""

    example = {"measure": ["diameter"], "use_by": "2027-05-31T00:00:00Z", "reason": "The spools were kept dry."}

    measure = fields.List(
        Text(20, one_of=CHARACTERISTICS),
        required=True,
        validate=validate.Length(1, len(CHARACTERISTICS), error="Name at least one characteristic, each once."),
        error_messages={"required": "This is needed."},
        metadata={"label": "Measure again", "description": "characteristics that the limits of the lot require"},
    )
    use_by = Instant(
        required=True,
        metadata={
            "label": "New use-by date",
            "description": "the new date, at most one more shelf life of the grade from now",
        },
    )
    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason", "description": "why, in words"})


class ReinspectionSchema(Schema):
    """A re-inspection. Its date holds once each characteristic passes by readings taken and stored after it was recorded."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    measure = fields.List(fields.String(), required=True)
    use_by = Instant(required=True)
    reason = fields.String(required=True)
    complete = fields.Boolean(required=True, metadata={"description": "true: its date holds"})
    to_measure = fields.List(
        fields.String(), required=True, metadata={"description": "what is still to be done for it"}
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ReinspectedSchema(ReinspectionSchema):
    """A re-inspection, with where its lot stands."""

    lot = fields.Nested(LotAfterSchema, required=True)


@routes.route(f"/<{NUMBER}:number>/reinspections")
class Reinspections(Resource):
    """Re-inspections of a lot."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(ReinspectionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a lot's re-inspections in the order they were recorded.

        404 for an unknown lot.
        """
        return page_answer(reinspections.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(ReinspectionArgs)
    @routes.response(201, ReinspectedSchema)
    def post(self, args: reinspections.Requested, number: int) -> Any:
        """Record the re-inspection of a lot at the end of its shelf life.

        States what to measure again, and a new use-by date. The date holds once each characteristic passes by new readings alone. 409 for a grade
        without a shelf life, and for a returned or scrapped lot.
        """
        return reinspections.request(number, args, person().name)
