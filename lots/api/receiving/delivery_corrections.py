"""One delivery: shown, corrected, closed."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Instant,
    LabelCode,
    Strict,
    StrictBoolean,
    StrictFloat,
    StrictInteger,
    Text,
)
from lots.api.http.roles import BENCH
from lots.api.http.routes import Resource, etag, person, version_to_change
from lots.api.receiving.lots_and_deliveries import DeliverySchema, LotSchema, NewSpoolArgs, SpoolLineSchema
from lots.api.receiving.lots_and_deliveries import deliveries as routes
from lots.services.receiving import deliveries
from lots.services.receiving.bodies import DeliveryChange as Change

_MASS = {"minimum": 20, "maximum": 60000}


class SpoolMassArgs(Strict):
    """What is on a spool after all."""

    code = LabelCode(60, required=True, metadata={"description": "as on its label"})
    net_mass_g = StrictFloat(required=True, metadata={**_MASS, "description": "filament without the reel, g"})


class DeliveryChange(Strict):
    """What was logged wrongly. Number of spools: `spool_count`, or `withdraw` and `add`."""

    example = {"order_ref": "PO 8", "reason": "The packing slip names another order."}

    reason = Text(2000, lines=True, metadata={"description": "why; required after the first reading or load"})
    order_ref = Text(120, allow_none=True, metadata={"description": "the shop's order"})
    received_at = Instant(metadata={"description": "when it came"})
    ordered_at = Instant(allow_none=True, metadata={"description": "when it was ordered; lead times count from here"})
    due_at = Instant(allow_none=True, metadata={"description": "when it was promised; later than this is late"})
    cost = StrictFloat(0, 1e9, allow_none=True, metadata={"description": "of the whole delivery, in `currency`"})
    currency = Text(
        3, allow_none=True, metadata={"description": "ISO 4217, such as EUR; needed with cost", "pattern": "^[A-Z]{3}$"}
    )
    note = Text(2000, lines=True, allow_none=True)
    supplier_id = StrictInteger(1, MAX_ID, metadata={"description": "before the first reading or load only"})
    supplier_code = Text(40, metadata={"description": "instead of supplier_id"})
    grade_id = StrictInteger(1, MAX_ID, metadata={"description": "before the first reading or load only"})
    grade_code = Text(40, metadata={"description": "instead of grade_id"})
    supplier_lot = Text(
        120, metadata={"description": "the lot number as printed; before the first reading or load only"}
    )
    confirm_new_lot = StrictBoolean(
        metadata={"description": "true when a lot number that looks like a known one is another"}
    )
    spool_count = StrictInteger(
        1,
        1000,
        metadata={
            "description": "reels that came after all: the last ones logged are withdrawn, or further ones added"
        },
    )
    confirm_spool_count = StrictBoolean(metadata={"description": "true when so many spools really came"})
    withdraw = fields.List(
        LabelCode(60),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={"description": "spools that never came, by code; only those not measured, loaded or opened"},
    )
    add = fields.List(
        fields.Nested(NewSpoolArgs),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={"description": "spools that came beside those logged"},
    )
    net_mass_g = StrictFloat(metadata={**_MASS, "description": "of each spool, added ones included, g"})
    spools = fields.List(
        fields.Nested(SpoolMassArgs),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={"description": "spools whose mass differs from net_mass_g"},
    )


class ClosingArgs(Strict):
    """Why a delivery is closed."""

    example = {"reason": "The delivery belongs to another lot."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "such as the lot number it really has"},
    )


class ChangeSchema(Schema):
    """One field of a correction."""

    field = fields.String(required=True)
    before = fields.Raw(required=True, allow_none=True, metadata={"description": "a value, or of spools code -> g"})
    after = fields.Raw(required=True, allow_none=True, metadata={"description": "likewise"})


class CorrectionSchema(Schema):
    """A correction of a delivery."""

    id = fields.Integer(required=True)
    changes = fields.List(fields.Nested(ChangeSchema), required=True)
    closes = fields.Boolean(required=True, metadata={"description": "true when it closed the delivery"})
    reason = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class DeliveryDetailSchema(DeliverySchema):
    """A delivery as corrected: its spools, withdrawn ones included, and every correction."""

    lot = fields.Nested(LotSchema, required=True)
    says = fields.String(required=True)
    spools = fields.List(fields.Nested(SpoolLineSchema), required=True)
    corrections = fields.List(fields.Nested(CorrectionSchema), required=True)


@routes.route(f"/<{NUMBER}:number>")
class OneDelivery(Resource):
    """One delivery."""

    who = {"GET": (*BENCH, "purchasing"), "PATCH": BENCH}

    @routes.response(200, DeliveryDetailSchema)
    def get(self, number: int) -> Any:
        """Show a delivery as corrected, with its spools and its corrections.

        Masses are in g. The ETag is the version that a correction needs. 404 for an unknown number.
        """
        found = deliveries.get(number)
        return found, etag("delivery", found)

    @routes.arguments(DeliveryChange)
    @routes.response(200, DeliveryDetailSchema)
    def patch(self, args: Change, number: int) -> Any:
        """Correct a delivery.

        The correction is added beside it, and its lot is judged again. Receiving may correct until the first reading or load of its spools, then quality
        with a `reason`. 409 otherwise. Supplier, grade and lot number stay from then on, and so do spools that were measured or loaded. Needs
        If-Match. 428 without it, 412 when the delivery has changed since. 409 with `candidates` when the lot number may be a known one misread, and
        for far more spools than usual.
        """
        version = version_to_change("delivery", deliveries.get(number))
        changed = deliveries.correct(number, version, args, person().name, person().role)
        return changed, etag("delivery", changed)


@routes.route(f"/<{NUMBER}:number>/close")
class Closing(Resource):
    """The end of a delivery that was logged wrongly."""

    who = {"POST": ("quality",)}

    @routes.arguments(ClosingArgs)
    @routes.response(200, DeliveryDetailSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Close a delivery that was logged by mistake.

        Its spools and their readings count for nothing from then on, and its lot is judged again. Log its filament anew. 409 while one of its spools is
        on a machine, or when the delivery is closed already.
        """
        return deliveries.close(number, args["reason"], person().name)


__all__ = ["routes"]
