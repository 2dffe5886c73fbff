"""Which lots may share a job, and spools picked for one."""

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

routes = Routes("matching", __name__, url_prefix="/v1", description="Which lots may share a job.")
_LIMIT = {"description": "most that the two may differ within one job; null when none is set"}


class MostArgs(Strict):
    """How far apart is still a match."""

    max = WrittenNumber(metadata={"description": "largest colour difference; the limit within one job when left out"})


class TableArgs(MostArgs):
    """Of which grade."""

    grade_id = WrittenWhole(1, MAX_ID, required=True)


class MatchSchema(Schema):
    """How another lot lies to this one. `within` is null where it cannot be told or nothing is asked."""

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
        required=True, metadata={"description": f"lots beyond the nearest {matching.MOST_MATCHES}"}
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
    direction = fields.String(required=True, metadata={"description": "of the second from the first"})


class TableSchema(Schema):
    """Every pair of lots in stock of a grade, of the first of them where there are many."""

    grade_id = fields.Integer(required=True)
    lots = fields.List(fields.Nested(StockSchema), required=True)
    pairs = fields.List(fields.Nested(StockPairSchema), required=True)
    left_out = fields.Integer(
        required=True,
        metadata={
            "description": f"lots beyond the first {matching.MOST_IN_TABLE}; /lots/{{id}}/matches compares any lot with all others"
        },
    )


class PickArgs(Strict):
    """What a job needs."""

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
            "description": "most that any two lots may differ; null asks for no match; left out, the limit within one job where colour shows",
        },
    )
    waste_percent = StrictFloat(
        0, 100, load_default=0.0, metadata={"label": "Waste, %", "description": "allowance on top, %"}
    )


class NamedLotSchema(Schema):
    """A lot by name."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class NearestSchema(Schema):
    """How close one can get."""

    mass_g = fields.Float(required=True, metadata={"description": "the most that lots which all match hold together"})
    lots = fields.List(fields.Nested(NamedLotSchema), required=True)
    match_max_needed = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "the least match_max at which it would be possible; null: never"},
    )


class ConsideredSchema(Schema):
    """What there was to pick from."""

    lots = fields.Integer(required=True)
    spools = fields.Integer(required=True)


class PickedPairSchema(Schema):
    """Two lots to take for a job."""

    lots = fields.List(fields.String(), required=True)
    delta_e = fields.Float(required=True, metadata={"description": "the larger of both ways"})


class PickedSchema(Schema):
    """Spools for a job, or why there are none."""

    possible = fields.Boolean(required=True)
    says = fields.String(required=True)
    needed_g = fields.Float(required=True)
    mass_g = fields.Float(required=True)
    largest_pair = fields.Float(required=True, allow_none=True)
    lots = fields.List(fields.Nested(NamedLotSchema), required=True)
    spool_codes = fields.List(fields.String(), required=True)
    spools = fields.List(
        fields.Nested(SpoolToUseSchema), required=True, metadata={"description": "the same, with what they are"}
    )
    pairs = fields.List(
        fields.Nested(PickedPairSchema),
        required=True,
        metadata={"description": "every two of the lots, where they were compared"},
    )
    nearest = fields.Nested(NearestSchema, required=True, allow_none=True)
    left_out = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "spools that do not match the others of their lot within the limit"},
    )
    considered = fields.Nested(ConsideredSchema, required=True)
    proven_optimal = fields.Boolean(
        required=True,
        metadata={
            "description": "false: the search ended at its limit. All that is answered holds; fewer or older lots, or a better `nearest`, may exist"
        },
    )


@routes.route(f"/lots/<{NUMBER}:number>/matches")
class LotMatches(Resource):
    """Lots that may share a job with this one."""

    who = {"GET": FLOOR}

    @routes.arguments(MostArgs, location="query")
    @routes.response(200, MatchesSchema)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the other lots in stock of the same shade with their colour difference from this lot.

        The nearest comes first. Differences are in the formula of the grade's limits. 404 for an unknown lot.
        """
        return matching.matches(number, args.get("max"))


@routes.route("/match-table")
class MatchTable(Resource):
    """Which lots in stock may share a job."""

    who = {"GET": FLOOR}

    @routes.arguments(TableArgs, location="query")
    @routes.response(200, TableSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any]) -> Any:
        """List the colour differences between all lots in stock of a grade.

        Every pair is listed, because A like B and B like C does not make A like C. Also as image/svg+xml. 404 for an unknown grade.
        """
        return pictured(matching.match_table(args["grade_id"], args.get("max")), draw)


@routes.route("/picks")
class Picks(Resource):
    """Spools for a job."""

    who = {"POST": (*FLOOR, "purchasing")}

    @routes.arguments(PickArgs)
    @routes.response(200, PickedSchema)
    def post(self, args: picks.PickSent) -> Any:
        """Pick spools for a job so that every pair of lots matches and the mass suffices.

        Prefers the fewest lots, then the oldest, and opened spools first. Nothing is stored or reserved. Masses are in g. When the job is impossible,
        `nearest` says how close one can get. The search takes a fixed number of steps at most. `proven_optimal` says whether it came to
        its end. 404 for an unknown grade.
        """
        return picks.picks(args)
