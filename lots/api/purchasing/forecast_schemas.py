"""Schemas of the forecast for the next lot."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.drift.signals import AtSchema
from lots.domain.purchasing.by_use import SEVERAL
from lots.services.purchasing import forecast


def number(text: str = "", **kw: Any) -> fields.Float:
    """Returns the field of a value that may be null."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text} if text else {}, **kw)


class PartSchema(Schema):
    """A part of the model, with the probability that the next lot passes."""

    part = fields.String(required=True)
    probability = fields.Float(required=True)


class NextValueSchema(Schema):
    """The predicted value of one measure, with prediction interval and pattern."""

    measure = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    confidence = fields.Float(required=True)
    lots = fields.Integer(required=True, metadata={"description": "number of lots measured with the same method"})
    pattern = fields.String(
        required=True, metadata={"enum": list(forecast.PATTERNS), "description": "most probable pattern"}
    )
    pattern_probability = fields.Float(required=True)
    change_probability = fields.Float(
        required=True, metadata={"description": "probability of a step or trend, 0 to 1; it widens the interval"}
    )
    changed_from = fields.Nested(
        AtSchema,
        required=True,
        allow_none=True,
        metadata={"description": "earliest probable first lot of a change; null without a change"},
    )
    changed_by = fields.Nested(
        AtSchema,
        required=True,
        allow_none=True,
        metadata={"description": "latest probable first lot of a change; null without a change"},
    )
    says = fields.String(required=True)


class NextLotSchema(Schema):
    """The probability that the next lot is accepted at first inspection. `model` names the data behind it."""

    probability = number()
    low = number()
    high = number()
    model = fields.String(required=True, metadata={"enum": ["measured", "verdicts", "none"]})
    lots = fields.Integer(required=True)
    inspected = fields.Integer(required=True)
    accepted = fields.Integer(required=True)
    says = fields.String(required=True)


class NextLotByUseSchema(NextLotSchema):
    """The forecast for one use, from its required characteristics."""

    use = fields.String(required=True)


class ForecastSchema(NextLotSchema):
    """The probability that the next lot is accepted at first inspection, for the stated use.

    Without a use, `probability_for` names its meaning. From measurements it is for every use, so all required limits are met. From
    verdicts alone it is for at least one use.
    """

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    limits_revision = fields.Integer(required=True, allow_none=True)
    use = fields.String(required=True, allow_none=True)
    probability_for = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": f"meaning of the probability: a use, {' or '.join(SEVERAL)}; null without a forecast"},
    )
    confidence = fields.Float(required=True)
    parts = fields.List(fields.Nested(PartSchema), required=True)
    method = fields.String(required=True, metadata={"description": "assumptions of the forecast"})
    next_values = fields.List(fields.Nested(NextValueSchema), required=True)
    by_use = fields.List(fields.Nested(NextLotByUseSchema), required=True)
    every_use = fields.Nested(NextLotSchema, required=True)
    at_least_one_use = fields.Nested(NextLotSchema, required=True)
