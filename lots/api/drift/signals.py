"""Schemas of signals: which lots, which charts, how sure, and what a list of many series says of itself."""

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
    """Which measure, and which stretch of lots read alike. No chart goes on across the end of a stretch."""

    measure = fields.String(required=True)
    stretch = fields.Integer(required=True)


class ReadSchema(PlaceSchema):
    """The same, with what the lots were read against and with."""

    read = fields.String(required=True)


class CallSchema(AtSchema):
    """A chart and the first lot it called."""

    by = fields.String(
        required=True,
        metadata={"description": "individuals, ewma, cusum, trend, N1 to N8 (Nelson), WE4 (Western Electric)"},
    )
    what = fields.String(required=True)


class SignalSchema(ReadSchema):
    """Lots that left their baseline on one side. `size` is a height for a step or a single lot and per lot for a ramp, in the measure's unit."""

    side = fields.Integer(required=True, metadata={"enum": [1, -1, 0]})
    direction = fields.String(required=True)
    active = fields.Boolean(
        required=True,
        metadata={"description": "a chart calls the latest lot, and lots did not come plainly back before it"},
    )
    kind = fields.String(required=True, metadata={"enum": ["step", "ramp", "single", "pattern"]})
    first = fields.Nested(AtSchema, required=True)
    last = fields.Nested(AtSchema, required=True)
    began = fields.Nested(AtSchema, required=True)
    size = fields.Float(required=True, allow_none=True)
    departure = fields.Float(
        required=True, allow_none=True, metadata={"description": "from the baseline, by the last lot"}
    )
    worsens = fields.Boolean(
        required=True, allow_none=True, metadata={"description": "nearer to its limit; null without a limit"}
    )
    p_value = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "of the series: how likely a steady one ends as far off; null in an earlier stretch"},
    )
    listed = fields.Boolean(
        required=True, metadata={"description": "on the list of the series looked at here, at the false discovery rate"}
    )
    unlisted_because = fields.String(
        required=True,
        allow_none=True,
        validate=validate.OneOf(get_args(Reason)),
        metadata={"description": "why it is not listed; small: less than a tenth of the limit"},
    )
    calls = fields.List(fields.Nested(CallSchema), required=True)
    says = fields.String(required=True)


class ErrorRatesSchema(Schema):
    """How often a steady series has a signal, as simulated for normal and independent lots, whatever the baseline."""

    lots = fields.Integer(required=True)
    active_percent = fields.Float(
        required=True, metadata={"description": "at most so many have an active signal at this lot"}
    )
    ever_percent = fields.Float(required=True, metadata={"description": "at most so many had one at some lot up to it"})
    says = fields.String(required=True)


class ListingSchema(Schema):
    """A list over many series: at most a share `false_discovery_rate` of the listed ones is steady, on average (Benjamini-Hochberg).

    A series is one measure of one supplier's lots of a grade. Improvements and shifts of less than a tenth of the limit are not listed.
    """

    series_looked_at = fields.Integer(required=True)
    series_listed = fields.Integer(required=True)
    false_discovery_rate = fields.Float(required=True)
