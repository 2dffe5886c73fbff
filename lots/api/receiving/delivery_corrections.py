"""Paths to show, correct and close a delivery."""

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
    """The corrected mass of a spool."""

    code = LabelCode(60, required=True, metadata={"description": "spool code as on its label"})
    net_mass_g = StrictFloat(required=True, metadata={**_MASS, "description": "filament mass without the reel, g"})


class DeliveryChange(Strict):
    """The corrections of a delivery. For the number of spools use `spool_count`, or `withdraw` and `add`."""

    example = {"order_ref": "PO 8", "reason": "The packing slip names another order."}

    reason = Text(2000, lines=True, metadata={"description": "reason; required after the first reading or load"})
    order_ref = Text(120, allow_none=True, metadata={"description": "order number of the shop"})
    received_at = Instant(metadata={"description": "time of receipt"})
    ordered_at = Instant(allow_none=True, metadata={"description": "time of the order; start of the lead time"})
    due_at = Instant(allow_none=True, metadata={"description": "promised delivery time"})
    cost = StrictFloat(0, 1e9, allow_none=True, metadata={"description": "cost of the whole delivery, in `currency`"})
    currency = Text(
        3,
        allow_none=True,
        metadata={"description": "currency code (ISO 4217), such as EUR; required with cost", "pattern": "^[A-Z]{3}$"},
    )
    note = Text(2000, lines=True, allow_none=True)
    supplier_id = StrictInteger(1, MAX_ID, metadata={"description": "changes only before the first reading or load"})
    supplier_code = Text(40, metadata={"description": "code of the supplier, instead of supplier_id"})
    grade_id = StrictInteger(1, MAX_ID, metadata={"description": "changes only before the first reading or load"})
    grade_code = Text(40, metadata={"description": "code of the grade, instead of grade_id"})
    supplier_lot = Text(
        120, metadata={"description": "lot number as printed; changes only before the first reading or load"}
    )
    confirm_new_lot = StrictBoolean(
        metadata={"description": "true if the lot number resembles a known one but is a different lot"}
    )
    spool_count = StrictInteger(
        1,
        1000,
        metadata={"description": "corrected number of spools; the last ones are withdrawn, or new ones are added"},
    )
    confirm_spool_count = StrictBoolean(metadata={"description": "true if this number of spools was delivered"})
    withdraw = fields.List(
        LabelCode(60),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={
            "description": "codes of spools that were not delivered; only spools that were not measured, loaded or opened"
        },
    )
    add = fields.List(
        fields.Nested(NewSpoolArgs),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={"description": "additional spools"},
    )
    net_mass_g = StrictFloat(metadata={**_MASS, "description": "filament mass per spool, including added spools, g"})
    spools = fields.List(
        fields.Nested(SpoolMassArgs),
        validate=validate.Length(1, 1000, error="Name 1 to 1000 spools."),
        metadata={"description": "masses of spools that differ from net_mass_g"},
    )


class ClosingArgs(Strict):
    """The reason for closing a delivery."""

    example = {"reason": "The delivery belongs to another lot."}

    reason = Text(
        2000,
        lines=True,
        required=True,
        metadata={"label": "Reason", "description": "reason, such as the correct lot number"},
    )


class ChangeSchema(Schema):
    """One field of a correction."""

    field = fields.String(required=True)
    before = fields.Raw(
        required=True, allow_none=True, metadata={"description": "previous value; for spools, mass in g by code"}
    )
    after = fields.Raw(required=True, allow_none=True, metadata={"description": "new value, in the same form"})


class CorrectionSchema(Schema):
    """A correction of a delivery."""

    id = fields.Integer(required=True)
    changes = fields.List(fields.Nested(ChangeSchema), required=True)
    closes = fields.Boolean(required=True, metadata={"description": "true if it closed the delivery"})
    reason = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class DeliveryDetailSchema(DeliverySchema):
    """A delivery as corrected, with all spools and corrections."""

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
        """Show a delivery.

        It is shown as corrected, with its spools and corrections. Masses are in g. Use the ETag to correct it. 404 for
        an unknown delivery.
        """
        found = deliveries.get(number)
        return found, etag("delivery", found)

    @routes.arguments(DeliveryChange)
    @routes.response(200, DeliveryDetailSchema)
    def patch(self, args: Change, number: int) -> Any:
        """Correct a delivery.

        The correction is recorded and the lot is reassessed. Receiving may correct a delivery until the first reading
        or load of its spools. Later only quality may correct it, with a `reason`. 409 otherwise. Supplier, grade, lot
        number and used spools can then no longer change. A used spool has been measured or loaded. Needs If-Match. 428
        without If-Match, 412 if the delivery has changed. 409 with `candidates` if the lot number resembles a known
        one. 409 for an unusual number of spools.
        """
        version = version_to_change("delivery", deliveries.get(number))
        changed = deliveries.correct(number, version, args, person().name, person().role)
        return changed, etag("delivery", changed)


@routes.route(f"/<{NUMBER}:number>/close")
class Closing(Resource):
    """The closing of a delivery that was logged by mistake."""

    who = {"POST": ("quality",)}

    @routes.arguments(ClosingArgs)
    @routes.response(200, DeliveryDetailSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Close a delivery.

        Use this for a delivery that was logged by mistake. Its spools and readings no longer count, and its lot is
        reassessed. Then log the delivery again correctly. 409 while one of its spools is on a machine, or if the
        delivery is already closed.
        """
        return deliveries.close(number, args["reason"], person().name)


__all__ = ["routes"]
