"""A strength check for thin tabs. It is an estimate for choosing a lot and an orientation, not a design approval."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, StrictFloat, StrictInteger, Text
from lots.api.http.roles import FLOOR_AND_QUALITY
from lots.api.http.routes import Resource, Routes
from lots.api.setup.grades import GradePermissionSchema
from lots.domain.production.tab_checks import TAB_USES
from lots.services.production import tab_checks

routes = Routes("strength", __name__, url_prefix="/v1", description="Strength checks of tabs.")


class TabArgs(Strict):
    """A tab fixed at one end and loaded at the other. State the lot or a spool."""

    example = {"lot_id": 1, "width_mm": 10, "thickness_mm": 2, "lever_mm": 20, "load_n": 5, "layers": "across"}

    lot_id = StrictInteger(1, MAX_ID, metadata={"label": "Lot"})
    spool_code = Text(60, metadata={"label": "Spool code"})
    width_mm = StrictFloat(0.01, 1000, required=True, metadata={"label": "Width, mm"})
    thickness_mm = StrictFloat(
        0.01,
        1000,
        required=True,
        metadata={"label": "Thickness, mm", "description": "thickness in the bending direction, mm"},
    )
    lever_mm = StrictFloat(0.01, 10_000, required=True, metadata={"label": "Lever, mm"})
    load_n = StrictFloat(0.001, 1_000_000, required=True, metadata={"label": "Load, N"})
    layers = Text(
        6,
        one_of=("across", "along"),
        required=True,
        metadata={"label": "Layers", "description": "orientation of the layers; across if bending pulls them apart"},
    )
    use = Text(
        20,
        one_of=TAB_USES,
        metadata={
            "label": "Use",
            "description": "use of the part; both uses are checked by default",
        },
    )
    reserve = StrictFloat(
        1,
        100,
        load_default=2.0,
        metadata={"label": "Strength over stress", "description": "required safety factor: strength divided by stress"},
    )


class TabUseSchema(Schema):
    """The clearance of the lot for one use."""

    use = fields.String(required=True)
    clear = fields.Boolean(required=True, metadata={"description": "true if the lot is cleared for this use"})
    reasons = fields.List(fields.String(), required=True, metadata={"description": "all reasons against the use"})
    concession = fields.String(
        required=True, allow_none=True, metadata={"description": "terms of the concession; null without one"}
    )
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)


class TabSchema(Schema):
    """The result of a tab check, with its caution."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    stress_mpa = fields.Float(required=True, metadata={"description": "bending stress at the root, MPa"})
    bound_mpa = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "lower 95 % confidence bound of the mean interlayer strength, MPa"},
    )
    weakest_mpa = fields.Float(required=True, allow_none=True)
    basis_mpa = fields.Float(
        required=True, allow_none=True, metadata={"description": "smaller of bound_mpa and weakest_mpa, MPa"}
    )
    reserve = fields.Float(required=True, allow_none=True)
    enough = fields.Boolean(required=True, metadata={"description": "true if the lot is permitted and strong enough"})
    reasons = fields.List(
        fields.String(), required=True, metadata={"description": "all reasons against the tab; empty if enough"}
    )
    uses = fields.List(fields.Nested(TabUseSchema), required=True)
    cautions = fields.List(fields.String(), required=True, metadata={"description": "cautions for the lot"})
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
        """Check a tab design.

        Says whether a tab may be printed from a lot, and estimates whether the interlayer strength is sufficient.
        Lengths are in mm, the load is in N, stresses are in MPa. Nothing is stored. 404 for an unknown lot or spool.
        422 if neither is given.
        """
        return tab_checks.tab_check(args)
