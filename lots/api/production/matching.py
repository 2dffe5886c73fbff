"""Colour matches of lots, and spools picked for a job."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Strict,
    StrictFloat,
    StrictInteger,
    Text,
    WrittenNumber,
    WrittenWhole,
)
from lots.api.http.roles import FLOOR
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.match_table import draw
from lots.api.production.clearance import SpoolToUseSchema
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.production import matching, picks

routes = Routes("matching", __name__, url_prefix="/v1", description="Colour matches of lots and picks for jobs.")
_LIMIT = {"description": "limit of the colour difference within one job; null without one"}


class MostArgs(Strict):
    """The limit of a match."""

    max = WrittenNumber(metadata={"description": "largest colour difference; by default the limit within one job"})


class TableArgs(MostArgs):
    """A grade."""

    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the grade"})


class MatchSchema(Schema):
    """The colour match of another lot with this one. `within` is null without data or without a limit."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    delta_e = fields.Float(required=True, allow_none=True)
    limit = fields.Float(required=True, allow_none=True, metadata=dict(_LIMIT))
    within = fields.Boolean(required=True, allow_none=True)
    direction = fields.String(required=True)


class MatchesSchema(Schema):
    """The other lots in stock of the same shade, nearest first."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    max = fields.Float(required=True, allow_none=True)
    items = fields.List(fields.Nested(MatchSchema), required=True)
    left_out = fields.Integer(
        required=True, metadata={"description": f"number of lots omitted after the nearest {matching.MOST_MATCHES}"}
    )


class StockSchema(Schema):
    """A lot in stock."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    lab = fields.List(fields.Float(), required=True, allow_none=True)


class StockPairSchema(Schema):
    """Two lots in stock."""

    lots = fields.List(fields.String(), required=True)
    delta_e = fields.Float(required=True, allow_none=True)
    limit = fields.Float(required=True, allow_none=True, metadata=dict(_LIMIT))
    within = fields.Boolean(required=True, allow_none=True)
    direction = fields.String(required=True, metadata={"description": "direction of the second lot from the first"})


class TableSchema(Schema):
    """All pairs of lots in stock of a grade, up to a maximum of lots."""

    grade_id = fields.Integer(required=True)
    lots = fields.List(fields.Nested(StockSchema), required=True)
    pairs = fields.List(fields.Nested(StockPairSchema), required=True)
    left_out = fields.Integer(
        required=True,
        metadata={
            "description": f"number of lots omitted after the first {matching.MOST_IN_TABLE}; see /lots/{{id}}/matches for these"
        },
    )


class PickArgs(Strict):
    """The requirements of a job."""

    example = {"grade_id": 1, "use": "general", "mass_g": 100, "match_max": 1.0}

    grade_id = StrictInteger(1, MAX_ID, required=True, metadata={"label": "Grade"})
    use = Text(20, one_of=(*USES, GENERAL), required=True, metadata={"label": "Use"})
    mass_g = StrictFloat(above=0, high=10_000_000, required=True, metadata={"label": "Filament needed, g"})
    match_max = StrictFloat(
        0,
        100,
        allow_none=True,
        metadata={
            "label": "Maximum colour difference",
            "description": "limit for the colour difference of any two lots. By default the limit within one job, if colour matters for the use; null for no limit",
        },
    )
    waste_percent = StrictFloat(
        0, 100, load_default=0.0, metadata={"label": "Waste, %", "description": "waste allowance, %"}
    )


class NamedLotSchema(Schema):
    """A lot, with its lot number."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class NearestSchema(Schema):
    """The closest alternative to an impossible pick."""

    mass_g = fields.Float(required=True, metadata={"description": "largest filament mass in matching lots, g"})
    lots = fields.List(fields.Nested(NamedLotSchema), required=True)
    match_max_needed = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "smallest match_max that makes the pick possible; null if none does"},
    )


class ConsideredSchema(Schema):
    """The stock considered."""

    lots = fields.Integer(required=True)
    spools = fields.Integer(required=True)


class PickedPairSchema(Schema):
    """A pair of picked lots."""

    lots = fields.List(fields.String(), required=True)
    delta_e = fields.Float(required=True, metadata={"description": "colour difference, the larger of both directions"})


class PickedSchema(Schema):
    """Spools for a job, or the reason why there are none."""

    possible = fields.Boolean(required=True)
    says = fields.String(required=True)
    needed_g = fields.Float(required=True)
    mass_g = fields.Float(required=True)
    largest_pair = fields.Float(required=True, allow_none=True)
    lots = fields.List(fields.Nested(NamedLotSchema), required=True)
    spool_codes = fields.List(fields.String(), required=True)
    spools = fields.List(
        fields.Nested(SpoolToUseSchema), required=True, metadata={"description": "details of the picked spools"}
    )
    pairs = fields.List(
        fields.Nested(PickedPairSchema),
        required=True,
        metadata={"description": "all pairs of lots that were compared"},
    )
    nearest = fields.Nested(NearestSchema, required=True, allow_none=True)
    left_out = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "spools that do not match their own lot within the limit"},
    )
    considered = fields.Nested(ConsideredSchema, required=True)
    proven_optimal = fields.Boolean(
        required=True,
        metadata={
            "description": "false if the search reached its step limit. The answer is valid, but a better one may exist"
        },
    )


@routes.route(f"/lots/<{NUMBER}:number>/matches")
class LotMatches(Resource):
    """Lots that match this one."""

    who = {"GET": FLOOR}

    @routes.arguments(MostArgs, location="query")
    @routes.response(200, MatchesSchema)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List matching lots.

        Lists the other lots in stock of the same shade with their colour difference from this lot. The closest come
        first. The formula is that of the limits of the grade. 404 for an unknown lot.
        """
        return matching.matches(number, args.get("max"))


@routes.route("/match-table")
class MatchTable(Resource):
    """Matches between lots in stock."""

    who = {"GET": FLOOR}

    @routes.arguments(TableArgs, location="query")
    @routes.response(200, TableSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """Compare the colours of lots.

        Lists the colour difference of each pair of lots in stock of a grade. If A matches B and B matches C, A may
        still not match C. Also as image/svg+xml. 404 for an unknown grade.
        """
        return pictured(matching.match_table(args["grade_id"], args.get("max")), draw)


@routes.route("/picks")
class Picks(Resource):
    """Spools for a job."""

    who = {"POST": (*FLOOR, "purchasing")}

    @routes.arguments(PickArgs)
    @routes.response(200, PickedSchema)
    def post(self, args: picks.PickSent) -> Any:
        """Pick spools for a job.

        All pairs of lots match, and the mass is sufficient. The pick prefers few lots, then old lots, and opened spools
        first. Nothing is stored or reserved. Masses are in g. If no pick is possible, `nearest` states the closest
        alternative. The search has a step limit. `proven_optimal` says whether the search was complete. 404 for an
        unknown grade.
        """
        return picks.picks(args)
