"""The sample of a lot: which spools to measure, and substitutes for those that cannot be."""

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

routes = Routes("samples", __name__, url_prefix="/v1", description="Which spools of a lot are measured.")


class SubstituteArgs(Strict):
    """Which drawn spool cannot be measured, why, and which is measured in its place."""

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
        metadata={"label": "Reason", "description": "such as: damaged, missing", "example": "damaged"},
    )


class SubstitutedSchema(DeliverySchema):
    """The delivery with its sample as it is now, and where its lot stands."""

    lot = fields.Nested(LotAfterSchema, required=True)


class DeliverySampleSchema(Schema):
    """The sample of one delivery: as it was drawn at first, and as it is now (`drawn`)."""

    delivery_id = fields.Integer(required=True)
    received_at = Instant(required=True)
    sample = fields.Nested(SampleSchema, required=True)
    further_draws = fields.List(fields.Nested(FurtherDrawSchema), required=True)
    substitutes = fields.List(fields.Nested(SubstituteSchema), required=True)
    drawn = fields.List(
        fields.String(), required=True, metadata={"description": "spools to measure, substitutes in their places"}
    )
    not_measured = fields.List(
        fields.String(), required=True, metadata={"description": "those of `drawn` that have no reading"}
    )
    not_drawn = fields.List(
        fields.String(), required=True, metadata={"description": "the other spools; their readings never release a lot"}
    )


class LotSampleSchema(Schema):
    """The sample of a lot, delivery by delivery."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    only_drawn = fields.Boolean(
        required=True,
        metadata={"description": "false for a lot that is still judged by earlier rules, when every spool counted"},
    )
    deliveries = fields.List(fields.Nested(DeliverySampleSchema), required=True)


@routes.route(f"/lots/<{NUMBER}:number>/sample")
class LotSample(Resource):
    """The sample of a lot."""

    who = {"GET": ALL}

    @routes.response(200, LotSampleSchema)
    def get(self, number: int) -> Any:
        """Show which spools of a lot are its sample.

        Tells the spools drawn at first, those drawn later, and substitutes. 404 for an unknown lot.
        """
        return substitutes.sample_of(number)


@routes.route(f"/deliveries/<{NUMBER}:number>/substitutes")
class Substitutes(Resource):
    """Substitutes for drawn spools."""

    who = {"POST": ("quality",)}

    @routes.arguments(SubstituteArgs)
    @routes.response(201, SubstitutedSchema)
    def post(self, args: NewSubstitute, number: int) -> Any:
        """Accept another spool in place of a drawn one that is damaged or missing.

        The lot is judged again. 422 for a spool that was not drawn or was measured, and for a substitute that is drawn itself or came with another
        delivery.
        """
        return substitutes.substitute(number, args, person().name)
