"""Comparison of suppliers by the expected cost per usable kilogram. For purchasing and quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, Text, WrittenWhole
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.purchasing.order_cost import draw
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.purchasing import next_order

routes = Routes("next_order", __name__, url_prefix="/v1", description="Comparison of costs for the next order.")


class NextOrderArgs(Strict):
    """A grade and a use."""

    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade", "description": "number of the grade"})
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        required=True,
        metadata={"label": "Use", "description": "use of the order"},
    )


def _number(text: str) -> fields.Float:
    """Returns the field of a value that may be null."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


def _count(text: str) -> fields.Integer:
    return fields.Integer(required=True, metadata={"description": text})


class OrderedFromSchema(Schema):
    """A supplier, with the expected cost per usable kilogram of its next lot. Money is in `currency`."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    price_per_kg = _number("mean price of its newest deliveries (at most eight), per kg")
    latest_price_per_kg = _number("price of its newest delivery with a cost, per kg")
    currency = fields.String(required=True, allow_none=True)
    deliveries = _count("number of deliveries behind the price")
    probability_usable = _number("probability that its next lot is accepted for the use at first inspection, 0 to 1")
    probability_low = _number("lower limit of its 95 % interval")
    probability_high = _number("upper limit of its 95 % interval")
    n = _count("number of lots with completed inspection for the use")
    rejected_returned = _count("number of lots rejected for the use and returned")
    rejected_kept = _count("number of lots rejected for the use and not returned")
    share_returned = fields.Float(
        required=True,
        metadata={
            "description": "share of rejected lots assumed to be returned: (returned + 0.5) / (rejected + 1), Jeffreys' prior"
        },
    )
    returned_says = fields.String(required=True, metadata={"description": "returns in words"})
    readings_per_lot = _number(
        "mean readings per lot, over its newest inspected lots (at most twenty), with voided readings"
    )
    measuring_per_kg = _number("inspection cost per kg; null if unknown or in another currency, and then omitted")
    expected_cost_per_usable_kg = _number("expected cost per usable kg; null with the reason in `why`")
    low = _number("lower limit of its 95 % interval; null if the spread of prices is unknown")
    high = _number("upper limit of its 95 % interval")
    by_likely_change = _number("part of the expected cost due to a suspected change; null without one")
    lead_days = _number("median time from order to delivery, days; null without an order date")
    deliveries_with_lead_time = _count("number of deliveries behind the lead time")
    why = fields.String(
        required=True, allow_none=True, metadata={"description": "reason for a missing cost; null if there is a cost"}
    )
    says = fields.String(required=True)


class CostDifferenceSchema(Schema):
    """The difference in expected cost per usable kilogram, first minus second, for a single look at all pairs."""

    first_supplier_id = fields.Integer(required=True)
    second_supplier_id = fields.Integer(required=True)
    currency = fields.String(required=True)
    difference = _number("cost difference per usable kg; null if a cost is missing")
    low = _number("lower limit of the interval; null if a cost or the spread of prices is unknown")
    high = _number("upper limit of the interval; null as for `low`")
    confidence = _number("confidence level of the interval")
    cheaper_supplier_id = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "number of the cheaper supplier; null without a significant difference"},
    )
    says = fields.String(required=True)


class NextOrderSchema(Schema):
    """Suppliers of a grade by expected cost per usable kilogram, the lowest first in each currency."""

    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    use = fields.String(required=True)
    confidence = fields.Float(required=True)
    suppliers = fields.List(fields.Nested(OrderedFromSchema), required=True)
    comparisons = fields.List(fields.Nested(CostDifferenceSchema), required=True)
    rule = fields.String(required=True, metadata={"description": "rule for rejected lots"})
    holds = fields.String(required=True, metadata={"description": "meaning of the intervals of differences"})
    measuring = fields.String(required=True, metadata={"description": "basis of the inspection cost"})
    says = fields.String(required=True)


@routes.route("/next-order")
class NextOrder(Resource):
    """The next order."""

    who = {"GET": ("purchasing", "quality")}

    @routes.arguments(NextOrderArgs, location="query")
    @routes.response(200, NextOrderSchema, rows="suppliers")
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Compare costs of the next order.

        Answers the expected cost per usable kilogram of each supplier for a grade and use. It includes price, rejected
        lots, inspection and a likely change, each with its uncertainty. Suppliers without a price or an inspected lot
        are listed with the missing data. Currencies are not compared. Also as image/svg+xml, and the suppliers as
        text/csv. 404 for an unknown grade.
        """
        return pictured(next_order.next_order(args["grade_id"], args["use"]), draw)
