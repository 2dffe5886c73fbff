"""Which supplier for the next order, by the expected cost per usable kilogram: for purchasing and quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, Text, WrittenWhole
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.purchasing.order_cost import draw
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.purchasing import next_order

routes = Routes("next_order", __name__, url_prefix="/v1", description="Which supplier for the next order.")


class NextOrderArgs(Strict):
    """What is ordered, and what for."""

    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade"})
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        required=True,
        metadata={"label": "Use", "description": "what the order must be usable for"},
    )


def _number(text: str) -> fields.Float:
    """A figure that may not be known."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


def _count(text: str) -> fields.Integer:
    return fields.Integer(required=True, metadata={"description": text})


class OrderedFromSchema(Schema):
    """A supplier, and what a usable kilogram of its next lot is expected to cost. Money is in `currency`."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    price_per_kg = _number("mean of its newest deliveries, eight at most")
    latest_price_per_kg = _number("of its newest delivery with a cost")
    currency = fields.String(required=True, allow_none=True)
    deliveries = _count("that the price comes from")
    probability_usable = _number("that its next lot is accepted for the use the first time")
    probability_low = _number("low end of its 95 % interval")
    probability_high = _number("high end of its 95 % interval")
    n = _count("lots inspected to an end for the use")
    rejected_returned = _count("lots rejected for the use and returned")
    rejected_kept = _count("lots rejected for the use and not returned")
    share_returned = fields.Float(
        required=True,
        metadata={
            "description": "share of rejected lots that the cost takes as returned: (returned + 0.5) / (rejected + 1), Jeffreys' prior"
        },
    )
    returned_says = fields.String(required=True, metadata={"description": "the same in words"})
    readings_per_lot = _number("of its newest inspected lots, twenty at most, voided readings among them")
    measuring_per_kg = _number("null where it is not known, or not in this currency: then it is not counted")
    expected_cost_per_usable_kg = _number("null where it cannot be told; `why` says why")
    low = _number("low end of its 95 % interval; null where the scatter of prices is not known")
    high = _number("high end of its 95 % interval")
    by_likely_change = _number("how much of the expected cost a suspected change adds; null where none is suspected")
    lead_days = _number("median from order to delivery, days; null without an order date")
    deliveries_with_lead_time = _count("that the lead time comes from")
    why = fields.String(required=True, allow_none=True, metadata={"description": "why no cost can be told"})
    says = fields.String(required=True)


class CostDifferenceSchema(Schema):
    """Expected cost per usable kilogram of the first supplier less that of the second, at one look, all pairs allowed for."""

    first_supplier_id = fields.Integer(required=True)
    second_supplier_id = fields.Integer(required=True)
    currency = fields.String(required=True)
    difference = _number("null where either cost cannot be told")
    low = _number("null where the scatter of prices is not known, or either cost cannot be told")
    high = _number("likewise")
    confidence = _number("of this interval")
    cheaper_supplier_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "null without a significant difference"}
    )
    says = fields.String(required=True)


class NextOrderSchema(Schema):
    """Suppliers of a grade by what a usable kilogram is expected to cost, the least first in each currency."""

    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    use = fields.String(required=True)
    confidence = fields.Float(required=True)
    suppliers = fields.List(fields.Nested(OrderedFromSchema), required=True)
    comparisons = fields.List(fields.Nested(CostDifferenceSchema), required=True)
    rule = fields.String(required=True, metadata={"description": "how rejected lots count"})
    holds = fields.String(required=True, metadata={"description": "what the intervals of differences promise"})
    measuring = fields.String(required=True, metadata={"description": "what measuring is counted with"})
    says = fields.String(required=True)


@routes.route("/next-order")
class NextOrder(Resource):
    """The next order."""

    who = {"GET": ("purchasing", "quality")}

    @routes.arguments(NextOrderArgs, location="query")
    @routes.response(200, NextOrderSchema, rows="suppliers")
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Compare suppliers by the expected cost per usable kilogram of a grade for a use.

        Counts price, lots that are rejected, measuring and a likely change, each with its uncertainty. Suppliers without a price or an inspected lot are
        listed with what to record. Currencies are not compared. Also as image/svg+xml, and the suppliers as text/csv. 404 for an unknown grade.
        """
        return pictured(next_order.next_order(args["grade_id"], args["use"]), draw)
