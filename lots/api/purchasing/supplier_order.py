"""Schemas of the supplier comparison: order, headline and cost of differences."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.drift.signals import AtSchema
from lots.api.http.fields import OneOrMany
from lots.api.purchasing.forecast_schemas import number as _number


def _text(**kw: Any) -> fields.String:
    return fields.String(required=True, **kw)


class BetterThanSchema(Schema):
    """Two suppliers who differ significantly."""

    better_supplier_id = fields.Integer(required=True)
    worse_supplier_id = fields.Integer(required=True)


class NewcomerSchema(Schema):
    """A supplier with too few comparable lots for a significant difference."""

    supplier_id = fields.Integer(required=True)
    lots = fields.Integer(
        required=True, metadata={"description": "number of lots comparable with those of another supplier"}
    )
    lots_needed = fields.Integer(
        required=True, metadata={"description": "minimum further lots before a difference can be significant"}
    )
    says = _text()


class OrderSchema(Schema):
    """The order of suppliers on one criterion, at the joint confidence level."""

    says = _text()
    better_than = fields.List(fields.Nested(BetterThanSchema), required=True)
    groups = fields.List(
        fields.List(fields.Integer()),
        required=True,
        metadata={
            "description": "groups in order, best first; suppliers in different groups need not differ significantly"
        },
    )
    newcomers = fields.List(fields.Nested(NewcomerSchema), required=True)


class DriftingSchema(Schema):
    """The drift of a measure, signed."""

    kind = _text(metadata={"enum": ["step", "ramp", "single"]})
    direction = _text()
    size = fields.Float(
        required=True, metadata={"description": "size of the change, per lot for a ramp, in total for a step"}
    )
    level = fields.Float(required=True, metadata={"description": "level before the change"})
    departure = fields.Float(required=True, metadata={"description": "total departure from that level"})
    departure_share = _number("departure as a share of the tolerance")
    began = fields.Nested(AtSchema, required=True)
    says = _text()


class HeadlineMeasureSchema(Schema):
    """One measure that the use requires. Shares refer to half the tolerance width, or to the distance to a one-sided limit."""

    measure = _text()
    label = _text()
    unit = _text()
    decimals = fields.Integer(required=True, metadata={"description": "number of decimals shown"})
    less = _text(metadata={"description": "word for a decrease"})
    more = _text(metadata={"description": "word for an increase"})
    lots = fields.Integer(required=True, metadata={"description": "number of lots measured with the same method"})
    limit = OneOrMany(required=True, allow_none=True)
    limit_kind = _text(allow_none=True, metadata={"enum": ["at least", "at most", "between", None]})
    mean = fields.Float(required=True, metadata={"description": "mean of the lots"})
    bias = _number("mean minus the middle of the limits or the reference; null for a one-sided limit")
    limit_used = _number("share of the tolerance used by the mean, 1 at a limit; signed for two-sided limits")
    within_sd = _number("standard deviation within lots")
    within_share = _number()
    between_sd = _number("standard deviation between lots")
    between_share = _number()
    drift = fields.Nested(DriftingSchema, required=True, allow_none=True)


class HeadlineSchema(Schema):
    """A supplier in a sentence, with its figures for the stated use, by default for every use."""

    says = _text()
    measures = fields.List(fields.Nested(HeadlineMeasureSchema), required=True)


class SupplierCostSchema(Schema):
    """The cost of rejected lots, holds and inspection for one supplier. Acceptance is for the stated use, by default for at least one."""

    supplier_id = fields.Integer(required=True)
    supplier = _text()
    accepted_kg = fields.Float(required=True)
    rejected_kg = fields.Float(
        required=True, metadata={"description": "filament mass paid for but not accepted for the use, kg"}
    )
    restricted_kg = fields.Float(
        required=True, metadata={"description": "part of rejected_kg that was accepted for another use, kg"}
    )
    rejected_per_accepted_kg = _number()
    rejected_cost = _number("cost of rejected deliveries; null if a cost is missing or currencies differ")
    rejected_currency = _text(allow_none=True)
    rejected_cost_per_accepted_kg = _number()
    rejected_without_cost = fields.Integer(
        required=True, metadata={"description": "number of rejected deliveries without a recorded cost"}
    )
    returned_kg = fields.Float(required=True)
    lots = fields.Integer(required=True, metadata={"description": "number of newest lots behind the hold times"})
    hold_days = _number("mean time in quarantine, days")
    lots_held = fields.Integer(required=True, metadata={"description": "number of lots in that mean"})
    lots_waiting = fields.Integer(required=True, metadata={"description": "number of lots now in quarantine"})
    lots_inspected = fields.Integer(
        required=True,
        metadata={"description": "number of newest lots with completed inspection for the use"},
    )
    readings_per_lot = _number()
    bench_hours_per_lot = _number()
    bench_cost_per_accepted_kg = _number()
    cost_per_accepted_kg = _number(
        "price of accepted and rejected lots, plus inspection if its cost is known, per accepted kg; null with the reason in `why`"
    )
    currency = _text(allow_none=True)
    includes = fields.List(fields.String(metadata={"enum": ["price", "measuring"]}), required=True)
    why = _text(
        allow_none=True, metadata={"description": "reason for a missing cost per accepted kg; null if there is one"}
    )
    says = _text()


class DifferenceCostsSchema(Schema):
    """The cost of differences between suppliers, from records and prices of the shop."""

    newest_lots = fields.Integer(
        required=True, metadata={"description": "number of newest lots of each supplier in the analysis"}
    )
    minutes_per_reading = fields.Float(required=True)
    bench_cost_per_h = _number()
    bench_currency = _text(allow_none=True)
    suppliers = fields.List(fields.Nested(SupplierCostSchema), required=True)
    says = _text()
