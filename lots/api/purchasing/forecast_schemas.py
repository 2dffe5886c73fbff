"""The next lot of a supplier as it is answered."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.drift.signals import AtSchema
from lots.domain.purchasing.by_use import SEVERAL
from lots.services.purchasing import forecast


def number(text: str = "", **kw: Any) -> fields.Float:
    """Returns the field of a figure that may not be known."""
    return fields.Float(required=True, allow_none=True, metadata={"description": text} if text else {}, **kw)


class PartSchema(Schema):
    """A part of the model, and the probability that the next lot passes it."""

    part = fields.String(required=True)
    probability = fields.Float(required=True)


class NextValueSchema(Schema):
    """The figure of one measure in the next lot, with its prediction interval, and what the supplier's lots look like."""

    measure = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    low = fields.Float(required=True)
    high = fields.Float(required=True)
    confidence = fields.Float(required=True)
    lots = fields.Integer(required=True, metadata={"description": "measured alike"})
    pattern = fields.String(required=True, metadata={"enum": list(forecast.PATTERNS), "description": "the likeliest"})
    pattern_probability = fields.Float(required=True)
    change_probability = fields.Float(
        required=True, metadata={"description": "of a step or trend; the interval is wider for it"}
    )
    changed_from = fields.Nested(
        AtSchema,
        required=True,
        allow_none=True,
        metadata={"description": "the earliest lot that a likely change began with"},
    )
    changed_by = fields.Nested(AtSchema, required=True, allow_none=True, metadata={"description": "and the latest"})
    says = fields.String(required=True)


class NextLotSchema(Schema):
    """Probability that the next lot is accepted the first time. `model` says what it was worked out from."""

    probability = number()
    low = number()
    high = number()
    model = fields.String(required=True, metadata={"enum": ["measured", "verdicts", "none"]})
    lots = fields.Integer(required=True)
    inspected = fields.Integer(required=True)
    accepted = fields.Integer(required=True)
    says = fields.String(required=True)


class NextLotByUseSchema(NextLotSchema):
    """The same for one use, from the characteristics that it requires."""

    use = fields.String(required=True)


class ForecastSchema(NextLotSchema):
    """Probability that the next lot is accepted the first time, for the use asked about.

    Without a use, `probability_for` says what the probability is for. From measurements it is for every use: every limit that any use requires is
    kept. From verdicts alone it is for at least one use. `by_use`, `every_use` and `at_least_one_use` always mean what they are called.
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
        metadata={"description": f"a use, {' or '.join(SEVERAL)}; null without a forecast"},
    )
    confidence = fields.Float(required=True)
    parts = fields.List(fields.Nested(PartSchema), required=True)
    method = fields.String(required=True, metadata={"description": "what is taken to be known"})
    next_values = fields.List(fields.Nested(NextValueSchema), required=True)
    by_use = fields.List(fields.Nested(NextLotByUseSchema), required=True)
    every_use = fields.Nested(NextLotSchema, required=True)
    at_least_one_use = fields.Nested(NextLotSchema, required=True)
