"""Stock by grade and use: what may be loaded, how long it lasts, and whether the next lot comes in time."""

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

routes = Routes("stock", __name__, url_prefix="/v1", description="Filament in stock, and how long it lasts.")


def _mass(text: str) -> fields.Float:
    return fields.Float(required=True, metadata={"description": f"{text}, kg"})


def _days(text: str) -> fields.Float:
    return fields.Float(required=True, allow_none=True, metadata={"description": text})


class StockArgs(Strict):
    """Of which grade, for which use."""

    grade_id = WrittenWhole(1, MAX_ID, metadata={"label": "Grade", "description": "all grades when left out"})
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        metadata={"label": "Use", "description": "each use, and all together, when left out"},
    )


class NextLotTimeSchema(Schema):
    """How long a supplier's lots took until they were released, over all its grades, and how many of this grade were accepted for the use."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    lots = fields.Integer(required=True, metadata={"description": "of this grade received in the last two years"})
    lead_from = fields.String(
        required=True, metadata={"enum": ["order", "receipt"], "description": "where the lead time begins"}
    )
    lead_lots = fields.Integer(required=True, metadata={"description": "released lots that the lead time rests on"})
    lead_median_days = _days("half of the lots were released within it")
    lead_days = _days("90 % of the lots were released within it; null below 5 lots")
    inspected = fields.Integer(required=True)
    accepted = fields.Integer(
        required=True,
        metadata={"description": "for the use, by their original inspection; for any use where none is named"},
    )
    lots_to_order = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "so that one is accepted with a probability of 90 %; null below 5 inspected lots"},
    )
    in_time = fields.Boolean(
        required=True, allow_none=True, metadata={"description": "released before stock may run out, ordered now"}
    )
    says = fields.String(required=True)


class StockLineSchema(Schema):
    """Stock of a grade for a use. Each kilogram of the grade is in exactly one of the seven states, which add up to the total."""

    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    color_name = fields.String(required=True)
    use = fields.String(required=True, allow_none=True, metadata={"description": "null for all uses together"})
    ready_kg = _mass("may be loaded now: loadable and conceded")
    loadable_kg = _mass("released for the use, and the spool may be loaded")
    conceded_kg = _mass("may be loaded under a concession, as far as it reaches")
    held_back_kg = _mass("lot released for the use; the spool is nonconforming, past its shelf life or has to be dried")
    not_permitted_kg = _mass(
        "released or restricted lots that do not pass for the use, or whose grade is forbidden for it"
    )
    quarantined_kg = _mass("lots in quarantine")
    blocked_kg = _mass("blocked lots")
    on_machines_kg = _mass("on machines, whatever they were loaded for, as weighed at loading")
    total_kg = _mass("all of these")
    weeks = fields.Integer(required=True, metadata={"description": "whole weeks that consumption is taken from"})
    per_week_kg = _days("mean consumption for the use, kg a week; null without a whole week")
    days_left = _days("at the mean consumption")
    days_low = _days("lower end of the 95 % prediction interval")
    days_high = _days("upper end")
    days_unknown = fields.String(
        required=True, allow_none=True, metadata={"description": "why days left are null; null where they are given"}
    )
    short = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "may run out before the next lot is likely released; null where that is not known"},
    )
    order_within_days = _days("until an order would come too late; 0 where it may be too late now")
    next_lot = fields.Nested(
        NextLotTimeSchema,
        required=True,
        allow_none=True,
        metadata={"description": "from the supplier with most lots of the grade"},
    )
    suppliers = fields.List(fields.Nested(NextLotTimeSchema), required=True)
    says = fields.String(required=True)


class StockAnswerSchema(Schema):
    """Stock of all grades, short ones first, and what its figures leave out."""

    as_of = Instant(required=True)
    confidence = fields.Float(required=True)
    says = fields.String(required=True)
    items = fields.List(fields.Nested(StockLineSchema), required=True)
    leaves_out = fields.List(fields.String(), required=True)


def _as_csv() -> Table:
    """How the lines are written as CSV: the lead times of suppliers as one text."""
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
        """Tell stock, consumption and days left by grade and use.

        Masses are in kg. Short ones come first: stock that may run out before the next lot is likely released. What may be loaded follows the rules
        of clearance. In CSV `suppliers` is text: names with their lead days. Also as image/svg+xml. 404 for an unknown grade.
        """
        return pictured(stock.stock(args.get("grade_id"), args.get("use")), draw)
