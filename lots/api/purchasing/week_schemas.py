"""An entry of the week's list, as it is answered."""

from __future__ import annotations

from marshmallow import Schema, fields

from lots.services.purchasing import week


def _figure(text: str) -> fields.Float:
    """A figure that may not be known."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


def _count(text: str) -> fields.Integer:
    """A whole number that may not be known."""
    return fields.Integer(required=True, allow_none=True, metadata={"description": text})


class RiskSchema(Schema):
    """What a matter puts at risk; null for what it does not have, or what cannot be said."""

    limit_used = _figure("share of what the limit allows that the latest lots use: 1 at the limit, above 1 beyond it")
    lots_left_low = _count(
        "lots to come until the limit is reached: low end of the 95 % interval, 0 where it is reached"
    )
    lots_left_high = _count("high end of it; null where that is more than 50 lots away")
    probability_next_fails = _figure("that the next lot's figure lies outside the limit, 0..1")
    stock_kg = _figure("filament in the shop that the matter is about")


class ActSchema(Schema):
    """One thing to act on."""

    what = fields.String(required=True, metadata={"enum": list(week.KINDS)})
    supplier_id = fields.Integer(required=True, metadata={"description": "of a stock, who likely brings the next lot"})
    supplier = fields.String(required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    lot_id = fields.Integer(required=True, metadata={"description": "of a stock, the newest lot"})
    measure = fields.String(required=True, allow_none=True)
    p_value = _figure("how likely a steady series ends as far off; null for what is no drift")
    corrective_action_id = _count("whose answer is overdue; else null")
    risk = fields.Nested(RiskSchema, required=True)
    says = fields.String(required=True)
