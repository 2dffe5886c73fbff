"""The sample of a lot, and substitutes for drawn spools."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, LabelCode, Strict, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.api.lot_schemas import LotAfterSchema
from lots.api.receiving.lots_and_deliveries import DeliverySchema, FurtherDrawSchema, SampleSchema, SubstituteSchema
from lots.services.receiving import substitutes
from lots.services.receiving.bodies import NewSubstitute

routes = Routes("samples", __name__, url_prefix="/v1", description="Samples of lots and substitutes.")


class SubstituteArgs(Strict):
    """A substitute for a drawn spool, with the reason."""

    example = {"drawn": "A-1", "substitute": "A-2", "reason": "The drawn spool is damaged."}

    drawn = LabelCode(
        60, required=True, metadata={"label": "Drawn spool", "description": "code of a drawn spool without readings"}
    )
    substitute = LabelCode(
        60,
        required=True,
        metadata={"label": "Substitute", "description": "code of a spool of the same delivery that was not drawn"},
    )
    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "reason, such as damaged or missing", "example": "damaged"},
    )


class SubstitutedSchema(DeliverySchema):
    """The delivery with its present sample, and the status of its lot."""

    lot = fields.Nested(LotAfterSchema, required=True)


class DeliverySampleSchema(Schema):
    """The sample of one delivery, first (`sample`) and present (`drawn`)."""

    delivery_id = fields.Integer(required=True)
    received_at = Instant(required=True)
    sample = fields.Nested(SampleSchema, required=True)
    further_draws = fields.List(fields.Nested(FurtherDrawSchema), required=True)
    substitutes = fields.List(fields.Nested(SubstituteSchema), required=True)
    drawn = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "codes of the spools to measure, including substitutes"},
    )
    not_measured = fields.List(
        fields.String(), required=True, metadata={"description": "codes in `drawn` without readings"}
    )
    not_drawn = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "codes of the other spools; their readings cannot release a lot"},
    )


class LotSampleSchema(Schema):
    """The sample of a lot, delivery by delivery."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    only_drawn = fields.Boolean(
        required=True,
        metadata={"description": "false for a lot under earlier rules, in which all spools count"},
    )
    deliveries = fields.List(fields.Nested(DeliverySampleSchema), required=True)


@routes.route(f"/lots/<{NUMBER}:number>/sample")
class LotSample(Resource):
    """The sample of a lot."""

    who = {"GET": ALL}

    @routes.response(200, LotSampleSchema)
    def get(self, number: int) -> Any:
        """Show the sample of a lot.

        Answers the spools drawn first, the spools drawn later and the substitutes. 404 for an unknown lot.
        """
        return substitutes.sample_of(number)


@routes.route(f"/deliveries/<{NUMBER}:number>/substitutes")
class Substitutes(Resource):
    """Substitutes for drawn spools."""

    who = {"POST": ("quality",)}

    @routes.arguments(SubstituteArgs)
    @routes.response(201, SubstitutedSchema)
    def post(self, args: NewSubstitute, number: int) -> Any:
        """Replace a drawn spool.

        Use this if a drawn spool is damaged or missing. The lot is reassessed. 422 if the spool was not drawn or is
        already measured. 422 if the substitute was drawn itself or came with another delivery.
        """
        return substitutes.substitute(number, args, person().name)
