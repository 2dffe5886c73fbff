"""Schemas of signals and of lists over many series."""

from __future__ import annotations

from typing import get_args

from marshmallow import Schema, fields, validate

from lots.domain.drift.reported import Reason


class AtSchema(Schema):
    """A lot, by its number in the series."""

    number = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class PlaceSchema(Schema):
    """A measure and a stretch of lots measured with the same method. Charts end with a stretch."""

    measure = fields.String(required=True)
    stretch = fields.Integer(required=True)


class ReadSchema(PlaceSchema):
    """A measure and a stretch, with reference and instrument."""

    read = fields.String(required=True)


class CallSchema(AtSchema):
    """A chart and the first lot that it signals."""

    by = fields.String(
        required=True,
        metadata={"description": "chart: individuals, ewma, cusum, trend, N1 to N8 (Nelson), WE4 (Western Electric)"},
    )
    what = fields.String(required=True)


class SignalSchema(ReadSchema):
    """Lots that left their baseline on one side. `size` is in the unit of the measure, for a ramp per lot."""

    side = fields.Integer(required=True, metadata={"enum": [1, -1, 0]})
    direction = fields.String(required=True)
    active = fields.Boolean(
        required=True,
        metadata={
            "description": "true if a chart signals at the latest lot and the series has not returned to its baseline"
        },
    )
    kind = fields.String(required=True, metadata={"enum": ["step", "ramp", "single", "pattern"]})
    first = fields.Nested(AtSchema, required=True)
    last = fields.Nested(AtSchema, required=True)
    began = fields.Nested(AtSchema, required=True)
    size = fields.Float(required=True, allow_none=True)
    departure = fields.Float(
        required=True, allow_none=True, metadata={"description": "departure from the baseline at the last lot"}
    )
    worsens = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if it moves towards the limit; null without a limit"},
    )
    p_value = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "p value for a stable series; null in an earlier stretch"},
    )
    listed = fields.Boolean(required=True, metadata={"description": "true if listed at the false discovery rate"})
    unlisted_because = fields.String(
        required=True,
        allow_none=True,
        validate=validate.OneOf(get_args(Reason)),
        metadata={"description": "reason if not listed; small is less than a tenth of the limit"},
    )
    calls = fields.List(fields.Nested(CallSchema), required=True)
    says = fields.String(required=True)


class ErrorRatesSchema(Schema):
    """The false signal rates of a stable series, simulated for normal and independent lots with any baseline."""

    lots = fields.Integer(required=True)
    active_percent = fields.Float(
        required=True, metadata={"description": "maximum share of stable series with an active signal at this lot, %"}
    )
    ever_percent = fields.Float(
        required=True, metadata={"description": "maximum share of stable series with a signal at this lot or before, %"}
    )
    says = fields.String(required=True)


class ListingSchema(Schema):
    """A list over many series. On average at most the share `false_discovery_rate` of those listed is stable (Benjamini-Hochberg).

    A series is one measure of a supplier and grade. Improvements, and shifts below a tenth of the limit, are not listed.
    """

    series_looked_at = fields.Integer(required=True)
    series_listed = fields.Integer(required=True)
    false_discovery_rate = fields.Float(required=True)
