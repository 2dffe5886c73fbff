"""A check for thin tabs: may the lot be used for it, and does its bond carry it? An estimate for choosing a lot and an orientation, never a design approval."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, StrictFloat, StrictInteger, Text
from lots.api.http.roles import FLOOR_AND_QUALITY
from lots.api.http.routes import Resource, Routes
from lots.api.setup.grades import GradePermissionSchema
from lots.domain.production.tab_checks import TAB_USES
from lots.services.production import tab_checks

routes = Routes("strength", __name__, url_prefix="/v1", description="Does a lot's bond carry a tab?")


class TabArgs(Strict):
    """A tab fixed at one end and loaded at the other. Name its lot, or a spool of it."""

    example = {"lot_id": 1, "width_mm": 10, "thickness_mm": 2, "lever_mm": 20, "load_n": 5, "layers": "across"}

    lot_id = StrictInteger(1, MAX_ID, metadata={"label": "Lot"})
    spool_code = Text(60, metadata={"label": "Spool code"})
    width_mm = StrictFloat(0.01, 1000, required=True, metadata={"label": "Width, mm"})
    thickness_mm = StrictFloat(
        0.01, 1000, required=True, metadata={"label": "Thickness, mm", "description": "in the direction it bends"}
    )
    lever_mm = StrictFloat(0.01, 10_000, required=True, metadata={"label": "Lever, mm"})
    load_n = StrictFloat(0.001, 1_000_000, required=True, metadata={"label": "Load, N"})
    layers = Text(
        6,
        one_of=("across", "along"),
        required=True,
        metadata={"label": "Layers", "description": "across: bending pulls the layers apart"},
    )
    use = Text(
        20,
        one_of=TAB_USES,
        metadata={
            "label": "Use",
            "description": "what the part asks of the tab; both are checked when left out",
        },
    )
    reserve = StrictFloat(
        1,
        100,
        load_default=2.0,
        metadata={"label": "Strength over stress", "description": "strength over stress that is wanted"},
    )


class TabUseSchema(Schema):
    """Whether the lot may be used for one of the uses that were checked."""

    use = fields.String(required=True)
    clear = fields.Boolean(required=True, metadata={"description": "by the same rule as a load"})
    reasons = fields.List(fields.String(), required=True, metadata={"description": "every reason why not"})
    concession = fields.String(
        required=True, allow_none=True, metadata={"description": "the terms of the concession it rests on, if any"}
    )
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)


class TabSchema(Schema):
    """The check, with its caution."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    stress_mpa = fields.Float(required=True, metadata={"description": "bending stress at the root"})
    bound_mpa = fields.Float(
        required=True, allow_none=True, metadata={"description": "lower 95 % bound of the mean bond"}
    )
    weakest_mpa = fields.Float(required=True, allow_none=True)
    basis_mpa = fields.Float(required=True, allow_none=True, metadata={"description": "the smaller of the two"})
    reserve = fields.Float(required=True, allow_none=True)
    enough = fields.Boolean(
        required=True, metadata={"description": "true when the lot may be used for it and its bond carries it"}
    )
    reasons = fields.List(
        fields.String(), required=True, metadata={"description": "every reason why not; empty when enough"}
    )
    uses = fields.List(fields.Nested(TabUseSchema), required=True)
    cautions = fields.List(fields.String(), required=True, metadata={"description": "what to mind of the lot"})
    least_thickness_mm = fields.Float(required=True, allow_none=True)
    n = fields.Integer(required=True)
    says = fields.String(required=True)
    caution = fields.String(required=True)


@routes.route("/tab-checks")
class TabChecks(Resource):
    """Tab checks."""

    who = {"POST": FLOOR_AND_QUALITY}

    @routes.arguments(TabArgs)
    @routes.response(200, TabSchema)
    def post(self, args: tab_checks.TabSent) -> Any:
        """Say whether a tab may be printed from a lot, and estimate whether its bond carries it.

        Lengths are in mm, the load is in N, stresses are in MPa. Nothing is stored. 404 for an unknown lot or spool. 422 without one of them.
        """
        return tab_checks.tab_check(args)
