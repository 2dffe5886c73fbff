"""Dryings of spools, compared with the rule of the grade."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Instant, Strict, StrictFloat, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.production import dryings

routes = Routes("dryings", __name__, url_prefix="/v1/spools", description="Dryings of spools.")
DRYERS = ("production", "quality", "receiving")


class DryingArgs(Strict):
    """A completed drying of a spool."""

    example = {"temperature_c": 45, "hours": 6, "ended_at": "2026-11-25T14:00:00+01:00"}

    temperature_c = StrictFloat(
        above=0,
        high=200,
        required=True,
        metadata={"label": "Temperature, °C", "description": "air temperature, °C", "example": 45},
    )
    hours = StrictFloat(
        above=0, high=1000, required=True, metadata={"label": "Time, h", "description": "drying time, h", "example": 6}
    )
    ended_at = Instant(metadata={"label": "Ended", "description": "end of drying; now by default"})


class DryingRuleSchema(Schema):
    """The grade's drying rule at that time."""

    dry_c = fields.Float(metadata={"description": "drying temperature, °C"})
    dry_h = fields.Float(metadata={"description": "drying time, h"})
    softening_c = fields.Float(metadata={"description": "softening temperature, °C"})


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
        metadata={"description": "true if it conforms to the rule of the grade; null without a rule"},
    )
    says = fields.String(required=True, metadata={"description": "result in words, with deviations"})
    caution = fields.String(required=True, metadata={"description": "safety caution for drying"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


@routes.route("/<code>/dryings")
class Dryings(Resource):
    """Dryings of a spool."""

    who = {"GET": DRYERS, "POST": DRYERS}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(DryingSchema))
    def get(self, args: dict[str, Any], code: str) -> Any:
        """List the dryings of a spool.

        The oldest come first. Temperatures are in °C, durations in h. 404 for an unknown code.
        """
        return page_answer(dryings.listed(code, args.get("cursor"), args["limit"]))

    @routes.arguments(DryingArgs)
    @routes.response(201, DryingSchema)
    def post(self, args: dryings.DryingSent, code: str) -> Any:
        """Record a drying.

        A drying that conforms to the drying rule of the grade starts the dry storage time. After a wet reading, a dry
        reading is also required. Temperature is in °C, duration in h. 409 for a withdrawn spool.
        """
        return dryings.record(code, args, person().name)
