"""Stock by grade and use, with days left and lead times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from marshmallow import Schema, fields

from lots.api.http.csv_answers import Table, of_list
from lots.api.http.fields import MAX_ID, Instant, Strict, Text, WrittenWhole
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.purchasing.stock import draw
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.purchasing import stock

routes = Routes("stock", __name__, url_prefix="/v1", description="Stock, consumption and days left.")


def _mass(text: str) -> fields.Float:
    return fields.Float(required=True, metadata={"description": f"{text}, kg"})


def _days(text: str) -> fields.Float:
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


class StockArgs(Strict):
    """A grade and a use."""

    grade_id = WrittenWhole(
        1, MAX_ID, metadata={"label": "Grade", "description": "number of the grade; all grades by default"}
    )
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        metadata={"label": "Use", "description": "use; by default each use and all uses together"},
    )


class NextLotTimeSchema(Schema):
    """The lead time of a supplier until release over all grades, and its accepted lots of this grade."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    lots = fields.Integer(
        required=True, metadata={"description": "number of lots of this grade received in the last two years"}
    )
    lead_from = fields.String(
        required=True, metadata={"enum": ["order", "receipt"], "description": "start of the lead time"}
    )
    lead_lots = fields.Integer(required=True, metadata={"description": "number of released lots behind the lead time"})
    lead_median_days = _days("median lead time, days")
    lead_days = _days("90th percentile of the lead time, days; null below 5 lots")
    inspected = fields.Integer(required=True)
    accepted = fields.Integer(
        required=True,
        metadata={
            "description": "number of lots accepted for the use at original inspection; for any use if none is named"
        },
    )
    lots_to_order = fields.Integer(
        required=True,
        allow_none=True,
        metadata={
            "description": "number of lots to order so that one is accepted with 90 % probability; null below 5 inspected lots"
        },
    )
    in_time = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if a lot ordered now is released before stock may run out; null if unknown"},
    )
    says = fields.String(required=True)


class StockLineSchema(Schema):
    """Stock of a grade for a use. Each kilogram is in exactly one of seven states, which add up to the total."""

    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    color_name = fields.String(required=True)
    use = fields.String(required=True, allow_none=True, metadata={"description": "use; null for all uses together"})
    ready_kg = _mass("filament that may be loaded now (loadable and conceded)")
    loadable_kg = _mass("filament released for the use on spools that may be loaded")
    conceded_kg = _mass("filament that may be loaded under a concession")
    held_back_kg = _mass("filament of released lots on spools that are nonconforming, expired or need drying")
    not_permitted_kg = _mass("filament of released or restricted lots that is not permitted for the use")
    quarantined_kg = _mass("filament of lots in quarantine")
    blocked_kg = _mass("filament of blocked lots")
    on_machines_kg = _mass("filament on machines, for any use, as weighed at loading")
    total_kg = _mass("total filament")
    weeks = fields.Integer(required=True, metadata={"description": "number of whole weeks behind the consumption"})
    per_week_kg = _days("mean consumption for the use, kg per week; null without a whole week")
    days_left = _days("days left at mean consumption")
    days_low = _days("lower limit of the 95 % prediction interval, days")
    days_high = _days("upper limit of the 95 % prediction interval, days")
    days_unknown = fields.String(
        required=True, allow_none=True, metadata={"description": "reason for unknown days left; null if known"}
    )
    short = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if stock may run out before the next lot is likely released; null if unknown"},
    )
    order_within_days = _days("days left to order in time; 0 if it may be too late")
    next_lot = fields.Nested(
        NextLotTimeSchema,
        required=True,
        allow_none=True,
        metadata={"description": "lead time of the supplier with most lots of the grade; null without lots"},
    )
    suppliers = fields.List(fields.Nested(NextLotTimeSchema), required=True)
    says = fields.String(required=True)


class StockAnswerSchema(Schema):
    """Stock of all grades, short ones first, with notes on omitted data."""

    as_of = Instant(required=True)
    confidence = fields.Float(required=True)
    says = fields.String(required=True)
    items = fields.List(fields.Nested(StockLineSchema), required=True)
    leaves_out = fields.List(fields.String(), required=True)


def _as_csv() -> Table:
    """Returns the CSV table, with the lead times of suppliers as one text."""
    table = of_list(StockAnswerSchema(), "items")

    def rows(answer: Any) -> list[dict[str, Any]]:
        return [{**line, "suppliers": "; ".join(map(_lead, line["suppliers"]))} for line in answer["items"]]

    return replace(table, rows=rows)


def _lead(of: Mapping[str, Any]) -> str:
    days = "lead time not known" if of["lead_days"] is None else f"{of['lead_days']:.0f} days from {of['lead_from']}"
    return f"{of['supplier']} ({days})"


@routes.route("/stock")
class Stock(Resource):
    """Stock."""

    who = {"GET": ("purchasing", "production", "quality")}

    @routes.arguments(StockArgs, location="query")
    @routes.response(200, StockAnswerSchema, rows=_as_csv())
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Show stock and days left.

        Lists stock, consumption and days left by grade and use. Masses are in kg. Stock that may run out before the
        next release comes first. The rules of clearance decide which spools may be loaded. In CSV, `suppliers` is a
        text of names and lead days. Also as image/svg+xml. 404 for an unknown grade.
        """
        return pictured(stock.stock(args.get("grade_id"), args.get("use")), draw)
