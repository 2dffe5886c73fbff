"""Dryings of spools: how hot and how long, judged by the grade's rule."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Instant, Strict, StrictFloat, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.production import dryings

routes = Routes("dryings", __name__, url_prefix="/v1/spools", description="Dryings of reels, one by one.")
DRYERS = ("production", "quality", "receiving")


class DryingArgs(Strict):
    """A drying of a spool, once it has ended."""

    example = {"temperature_c": 45, "hours": 6, "ended_at": "2026-11-25T14:00:00+01:00"}

    temperature_c = StrictFloat(
        above=0,
        high=200,
        required=True,
        metadata={"label": "Temperature, °C", "description": "of the air around it, °C", "example": 45},
    )
    hours = StrictFloat(
        above=0, high=1000, required=True, metadata={"label": "Time, h", "description": "how long, h", "example": 6}
    )
    ended_at = Instant(metadata={"label": "Ended", "description": "now when left out"})


class DryingRuleSchema(Schema):
    """The grade's drying rule at that time."""

    dry_c = fields.Float(metadata={"description": "°C"})
    dry_h = fields.Float(metadata={"description": "h"})
    softening_c = fields.Float(metadata={"description": "where the filament softens, °C"})


class DryingSchema(Schema):
    """A drying of a spool."""

    id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    temperature_c, hours = answered(DryingArgs, "temperature_c", "hours")
    ended_at = Instant(required=True)
    rule = fields.Nested(DryingRuleSchema, required=True, allow_none=True)
    conforms = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "whether it kept to the grade's rule; null without one"},
    )
    says = fields.String(required=True, metadata={"description": "the same in words, with what it lacks"})
    caution = fields.String(required=True, metadata={"description": "how filament is dried safely"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


@routes.route("/<code>/dryings")
class Dryings(Resource):
    """Dryings of a spool."""

    who = {"GET": DRYERS, "POST": DRYERS}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(DryingSchema))
    def get(self, args: dict[str, Any], code: str) -> Any:
        """List a spool's dryings, oldest first.

        Temperatures are in °C, times in h. 404 for an unknown code.
        """
        return page_answer(dryings.listed(code, args.get("cursor"), args["limit"]))

    @routes.arguments(DryingArgs)
    @routes.response(201, DryingSchema)
    def post(self, args: dryings.DryingSent, code: str) -> Any:
        """Record a drying of a spool.

        A drying that conforms to the grade's rule starts the time that the spool stays dry. After a wet reading, a dry reading is needed as well.
        Temperature is in °C, duration in h. 409 for a withdrawn spool.
        """
        return dryings.record(code, args, person().name)
