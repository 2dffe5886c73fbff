"""Schemas of the actions of the week."""

from __future__ import annotations

from marshmallow import Schema, fields

from lots.services.purchasing import week


def _figure(text: str) -> fields.Float:
    """Returns the field of a value that may be null."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


def _count(text: str) -> fields.Integer:
    """Returns the field of a whole number that may be null."""
    return fields.Integer(required=True, allow_none=True, metadata={"description": text})


class RiskSchema(Schema):
    """The risk of a matter. Fields that do not apply or are unknown are null."""

    limit_used = _figure("share of the limit used by the latest lots; 1 at the limit, above 1 outside")
    lots_left_low = _count("lots until the limit is reached, lower limit of the 95 % interval; 0 if reached")
    lots_left_high = _count("lots until the limit is reached, upper limit of the 95 % interval; null above 50")
    probability_next_fails = _figure("probability that the next lot fails the limit, 0 to 1")
    stock_kg = _figure("filament concerned in stock, kg")


class ActSchema(Schema):
    """One action."""

    what = fields.String(required=True, metadata={"enum": list(week.KINDS)})
    supplier_id = fields.Integer(
        required=True, metadata={"description": "number of the supplier; for stock, of the likely next lot"}
    )
    supplier = fields.String(required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    lot_id = fields.Integer(required=True, metadata={"description": "number of the lot; for stock, the newest lot"})
    supplier_lot = fields.String(required=True, metadata={"description": "lot number of the supplier"})
    measure = fields.String(required=True, allow_none=True)
    p_value = _figure("p value for a stable series; null for other matters")
    corrective_action_id = _count("number of the overdue corrective action; null for other matters")
    risk = fields.Nested(RiskSchema, required=True)
    says = fields.String(required=True)
