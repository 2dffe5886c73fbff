"""Spools on the shelf: shown, opened, dried, wound together."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import Instant, LabelCode, Strict, StrictFloat, Text, answered
from lots.api.http.roles import ALL, FLOOR
from lots.api.http.routes import Resource, Routes, person
from lots.api.lot_schemas import LotLineSchema
from lots.api.production.clearance import LENGTH_LEFT
from lots.api.receiving.lots_and_deliveries import LotSchema, SpoolLineSchema
from lots.services.production import spools

routes = Routes("spools", __name__, url_prefix="/v1/spools", description="Reels, one by one.")


class ParentArgs(Strict):
    """A spool to wind from, and how much of it."""

    spool_code = Text(60, required=True, metadata={"label": "Spool code", "description": "as on its label"})
    mass_g = StrictFloat(
        above=0,
        high=60_000,
        required=True,
        metadata={"label": "Mass taken, g", "description": "filament taken from it, g"},
    )


class ParentSchema(Schema):
    """A spool that filament was wound from."""

    spool_code, mass_g = answered(ParentArgs)


class SpoolSchema(SpoolLineSchema):
    """A spool with its lot, and for a spliced one its parents and the further lots it holds."""

    flow_factor = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "nominal over measured cross-section; null when not measured"},
    )
    length_m = fields.Float(required=True, metadata=dict(LENGTH_LEFT))
    delivery_id = fields.Integer(required=True)
    lot = fields.Nested(LotSchema, required=True)
    parents = fields.List(
        fields.Nested(ParentSchema), required=True, metadata={"description": "spools it was wound from"}
    )
    further_lots = fields.List(
        fields.Nested(LotLineSchema), required=True, metadata={"description": "those it holds beside `lot`"}
    )


class WoundSchema(SpoolSchema):
    """A spool as it was wound."""

    warnings = fields.List(
        fields.String(), required=True, metadata={"description": "lots on it that do not match within one job"}
    )


class EventArgs(Strict):
    """What was done to a spool."""

    example = {"event": "opened", "at": "2026-11-25T14:00:00+01:00"}

    event = Text(10, one_of=("opened", "dried"), required=True)
    at = Instant(metadata={"label": "Opened", "description": "now when left out"})


class WindArgs(Strict):
    """A new spool wound from others of one grade."""

    example = {"parents": [{"spool_code": "A-1", "mass_g": 120}, {"spool_code": "A-2", "mass_g": 90}], "code": "MIX-1"}

    parents = fields.List(
        fields.Nested(ParentArgs),
        required=True,
        validate=validate.Length(1, 20, error="Name 1 to 20 spools."),
        error_messages={"required": "This is needed."},
        metadata={"label": "Spools", "description": "spools to wind from, of one grade"},
    )
    code = LabelCode(
        60, metadata={"label": "Code of the new spool", "description": "of the new spool; made up when left out"}
    )


@routes.route("")
class Spools(Resource):
    """Spools wound in the shop."""

    who = {"POST": FLOOR}
    made_at = "/v1/spools/{code}"

    @routes.arguments(WindArgs)
    @routes.response(201, WoundSchema)
    def post(self, args: spools.WindSent) -> Any:
        """Wind filament of one or more spools onto a new spool.

        The new spool holds all their lots and is as good as the worst of them. `warnings` names lots that do not match within one job. Such a spool is
        refused where colour shows. Masses are in g. 409 when the code is taken. 404 for an unknown spool.
        """
        made = spools.wind(args, person().name)
        return made, self.location(made)


@routes.route("/<code>")
class OneSpool(Resource):
    """One spool."""

    who = {"GET": ALL}

    @routes.response(200, SpoolSchema)
    def get(self, code: str) -> Any:
        """Show a spool with its lot.

        Masses are in g. 404 for an unknown code, with near codes as `candidates`.
        """
        return spools.get_spool(code)


@routes.route("/<code>/events")
class Events(Resource):
    """What is done to a spool."""

    who = {"POST": ("production", "receiving")}

    @routes.arguments(EventArgs)
    @routes.response(201, SpoolSchema)
    def post(self, args: dict[str, Any], code: str) -> Any:
        """Record that a spool was opened or dried.

        Loading a sealed spool opens it without this. 409 for a spool that is opened already, and for a withdrawn spool.
        """
        return spools.note(code, args["event"], args.get("at"), person().name)
