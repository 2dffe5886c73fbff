"""Answers about suppliers beside each other: their order, the headline of each, and what the difference costs."""

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
    """A supplier with too few lots of the same kind to differ significantly from anybody, whatever their outcome."""

    supplier_id = fields.Integer(required=True)
    lots = fields.Integer(required=True, metadata={"description": "of the same kind as those of one other supplier"})
    lots_needed = fields.Integer(
        required=True, metadata={"description": "more, at least, before a difference can be significant"}
    )
    says = _text()


class OrderSchema(Schema):
    """The order of suppliers on one criterion, at the confidence of all comparisons together."""

    says = _text()
    better_than = fields.List(fields.Nested(BetterThanSchema), required=True)
    groups = fields.List(
        fields.List(fields.Integer()),
        required=True,
        metadata={
            "description": "levels of the order, best first; suppliers of different groups need not differ significantly"
        },
    )
    newcomers = fields.List(fields.Nested(NewcomerSchema), required=True)


class DriftingSchema(Schema):
    """Where a measure goes, signed."""

    kind = _text(metadata={"enum": ["step", "ramp", "single"]})
    direction = _text()
    size = fields.Float(required=True, metadata={"description": "a lot for a ramp, at once for a step"})
    level = fields.Float(required=True, metadata={"description": "where the lots lay before"})
    departure = fields.Float(required=True, metadata={"description": "in all, from there"})
    departure_share = _number("of the room that the limit leaves")
    began = fields.Nested(AtSchema, required=True)
    says = _text()


class HeadlineMeasureSchema(Schema):
    """One measure that the use depends on. Shares are of the room that the limit leaves: half of its width, or the way to its one end."""

    measure = _text()
    label = _text()
    unit = _text()
    decimals = fields.Integer(required=True, metadata={"description": "that its figures are shown with"})
    less = _text(metadata={"description": "what its fall is called"})
    more = _text(metadata={"description": "what its growth is called"})
    lots = fields.Integer(required=True, metadata={"description": "read alike"})
    limit = OneOrMany(required=True, allow_none=True)
    limit_kind = _text(allow_none=True, metadata={"enum": ["at least", "at most", "between", None]})
    mean = fields.Float(required=True, metadata={"description": "of the lots"})
    bias = _number("mean less the middle of the limit or the reference; null for a limit with one end")
    limit_used = _number("share of the room that the mean uses, 1 at an end; signed for a limit with two ends")
    within_sd = _number("standard deviation within lots")
    within_share = _number()
    between_sd = _number("standard deviation between lots")
    between_share = _number()
    drift = fields.Nested(DriftingSchema, required=True, allow_none=True)


class HeadlineSchema(Schema):
    """A supplier in a sentence, and its figures for the use asked about; for every use where none is."""

    says = _text()
    measures = fields.List(fields.Nested(HeadlineMeasureSchema), required=True)


class SupplierCostSchema(Schema):
    """What one supplier's rejected lots, holds and inspection cost. Accepted is for the use asked about, for at least one where none is."""

    supplier_id = fields.Integer(required=True)
    supplier = _text()
    accepted_kg = fields.Float(required=True)
    rejected_kg = fields.Float(required=True, metadata={"description": "paid for and not accepted for the use"})
    restricted_kg = fields.Float(required=True, metadata={"description": "of these, accepted for another use"})
    rejected_per_accepted_kg = _number()
    rejected_cost = _number("of rejected deliveries, where each has a cost in one currency")
    rejected_currency = _text(allow_none=True)
    rejected_cost_per_accepted_kg = _number()
    rejected_without_cost = fields.Integer(
        required=True, metadata={"description": "rejected deliveries of which no cost is recorded"}
    )
    returned_kg = fields.Float(required=True)
    lots = fields.Integer(required=True, metadata={"description": "newest ones, that holds are told from"})
    hold_days = _number("from the first decision that left a lot in quarantine to the first that did not, mean")
    lots_held = fields.Integer(required=True, metadata={"description": "with a verdict, that this is the mean of"})
    lots_waiting = fields.Integer(required=True, metadata={"description": "in quarantine now"})
    lots_inspected = fields.Integer(
        required=True,
        metadata={"description": "of the newest, inspected to an end for the use: readings are told from these"},
    )
    readings_per_lot = _number()
    bench_hours_per_lot = _number()
    bench_cost_per_accepted_kg = _number()
    cost_per_accepted_kg = _number(
        "price of accepted and rejected lots, and measuring where its cost is known; null where `why` says so"
    )
    currency = _text(allow_none=True)
    includes = fields.List(fields.String(metadata={"enum": ["price", "measuring"]}), required=True)
    why = _text(allow_none=True, metadata={"description": "the cost per accepted kg is not told"})
    says = _text()


class DifferenceCostsSchema(Schema):
    """What the difference between suppliers costs, from the shop's own record and prices."""

    newest_lots = fields.Integer(required=True, metadata={"description": "of each supplier, that are looked at"})
    minutes_per_reading = fields.Float(required=True)
    bench_cost_per_h = _number()
    bench_currency = _text(allow_none=True)
    suppliers = fields.List(fields.Nested(SupplierCostSchema), required=True)
    says = _text()
