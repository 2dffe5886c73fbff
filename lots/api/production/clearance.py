"""Clearance of spools for a use, with reasons."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import Instant, Strict, Text, WrittenNumber
from lots.api.http.roles import FLOOR
from lots.api.http.routes import Resource, Routes
from lots.api.setup.grades import GradePermissionSchema
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.production import clearance
from lots.services.production.clearance import Ask

routes = Routes("production", __name__, url_prefix="/v1", description="Clearance and loads of spools.")
LENGTH_LEFT = {
    "description": "filament length left, m, from mass, density and measured cross-section, or else nominal diameter"
}


class ClearanceArgs(Strict):
    """Use, job and machine for a clearance."""

    use = Text(20, one_of=(*USES, GENERAL), required=True, metadata={"description": "use of the material in the job"})
    job = Text(120, metadata={"description": "job, for the colour match with its other lots"})
    machine = Text(60, metadata={"description": "machine for the load"})
    mass_g = WrittenNumber(metadata={"description": "filament mass needed by the job, g"})
    match_max = WrittenNumber(
        metadata={"description": "colour difference limit between lots for this job, instead of that of the grade"}
    )


class ConcessionUsedSchema(Schema):
    """The concession for a load of a nonconforming lot."""

    id = fields.Integer(required=True)
    uses = fields.List(fields.String(), required=True, metadata={"description": "permitted uses"})
    left_g = fields.Float(required=True, metadata={"description": "filament mass left under the concession, g"})
    valid_until = Instant(required=True)
    finish_running = fields.Boolean(
        required=True, metadata={"description": "true if a job that has started may continue after valid_until"}
    )
    approved_by = fields.String(required=True)
    says = fields.String(required=True)


class SettingsSchema(Schema):
    """Print settings for a spool, from measurements. Unmeasured values are null."""

    flow_factor = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "flow factor: nominal divided by measured cross-section"},
    )
    flow_factor_uncertainty = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard uncertainty of the flow factor; null if unknown"},
    )
    flow_from = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "source of the flow factor: spool, or lot if the spool was not measured"},
    )
    scale_x = fields.Float(required=True, allow_none=True, metadata={"description": "scale factor for parts along X"})
    scale_y = fields.Float(required=True, allow_none=True, metadata={"description": "scale factor for parts along Y"})
    scale_z = fields.Float(required=True, allow_none=True, metadata={"description": "scale factor for parts along Z"})
    scale_x_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty of the scale factor"}
    )
    scale_y_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty of the scale factor"}
    )
    scale_z_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty of the scale factor"}
    )
    measured_on = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "printer of the shrinkage coupons; null if unknown"},
    )
    length_100_mm_x = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "printed length of a nominal 100 mm without scaling, mm"},
    )
    length_100_mm_y = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "printed length of a nominal 100 mm without scaling, mm"},
    )
    length_100_mm_z = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "printed length of a nominal 100 mm without scaling, mm"},
    )


class PairSchema(Schema):
    """The colour match of this spool with another spool of the job, or of two lots on it."""

    supplier_lot = fields.String(required=True)
    spool_code = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "other spool in the job; null for any spool of the lot"},
    )
    of_lot = fields.String(required=True, metadata={"description": "lot on this spool in the comparison"})
    of_spool = fields.String(
        required=True, allow_none=True, metadata={"description": "this spool; null for any spool of the lot"}
    )
    delta_e = fields.Float(
        required=True,
        allow_none=True,
        metadata={
            "description": "colour difference of the two spools, including `allowance`. Means of spools are used, or else means of lots; null if unknown"
        },
    )
    allowance = fields.Float(
        required=True,
        metadata={
            "description": "part of `delta_e` that allows for the spread of unmeasured spools around the mean of their lot"
        },
    )
    spools_known = fields.Boolean(
        required=True,
        metadata={"description": "false if a measured spool represents an unmeasured one"},
    )
    limit = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "limit of the colour difference within one job; null without one"},
    )
    within = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if the difference is within `limit`; null if unknown"},
    )
    direction = fields.String(
        required=True, metadata={"description": "direction of the difference, such as darker, yellower"}
    )


class SpoolStateSchema(Schema):
    """The state of a spool."""

    part = fields.Boolean(required=True, metadata={"description": "true if the spool is partly used"})
    spliced = fields.Boolean(required=True, metadata={"description": "true if it was respooled from several spools"})
    opened_at = Instant(required=True, allow_none=True)
    dried_at = Instant(required=True, allow_none=True)
    use_by = Instant(
        required=True, allow_none=True, metadata={"description": "end of the shelf life or of the time since opening"}
    )


class SpoolToUseSchema(Schema):
    """A cleared spool."""

    spool_code = fields.String(required=True)
    supplier_lot = fields.String(required=True)
    remaining_mass_g = fields.Float(required=True, metadata={"description": "filament mass without the reel, g"})
    opened_at = Instant(required=True, allow_none=True)


class OtherSpoolSchema(SpoolToUseSchema):
    """Another spool cleared for the same use."""

    says = fields.String(
        required=True, allow_none=True, metadata={"description": "terms of its concession; null without one"}
    )
    why = fields.String(required=True, metadata={"description": "reason why this spool is offered"})


class HeldLotSchema(Schema):
    """A lot on a spool."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "verdict by use"}
    )
    mass_g = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "filament mass of this lot on the new spool, g; null if unknown"},
    )


class SimilarNameSchema(Schema):
    """A known job or machine with a name similar to a new one."""

    field = fields.String(required=True, metadata={"enum": ["job", "machine"]})
    name = fields.String(required=True, metadata={"description": "name as first entered"})


class ClearanceSchema(Schema):
    """The clearance of a spool, with all reasons against it."""

    spool_code = fields.String(required=True)
    clear = fields.Boolean(required=True, metadata={"description": "true if the spool may be loaded"})
    says = fields.String(required=True, metadata={"description": "answer in one short sentence"})
    use = fields.String(required=True)
    job = fields.String(required=True, allow_none=True, metadata={"description": "name as first entered"})
    machine = fields.String(required=True, allow_none=True, metadata={"description": "name as first entered"})
    candidates = fields.List(
        fields.Nested(SimilarNameSchema),
        required=True,
        metadata={"description": "known jobs and machines with similar names, if the stated name is new"},
    )
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "verdict by use"}
    )
    reasons = fields.List(fields.String(), required=True, metadata={"description": "all reasons against the load"})
    cautions = fields.List(fields.String(), required=True, metadata={"description": "cautions for the load"})
    settings = fields.Nested(SettingsSchema, required=True)
    lots = fields.List(fields.Nested(HeldLotSchema), required=True, metadata={"description": "lots on the spool"})
    spool_match = fields.List(
        fields.Nested(PairSchema),
        required=True,
        metadata={"description": "colour match of each pair of lots on the spool"},
    )
    shade_match = fields.List(
        fields.Nested(PairSchema),
        required=True,
        allow_none=True,
        metadata={"description": "colour match with the other lots of the job; null without a job"},
    )
    remaining_mass_g = fields.Float(required=True, metadata={"description": "filament mass without the reel, g"})
    length_m = fields.Float(required=True, metadata=dict(LENGTH_LEFT))
    concession = fields.Nested(ConcessionUsedSchema, required=True, allow_none=True)
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)
    spool = fields.Nested(SpoolStateSchema, required=True)
    others = fields.List(
        fields.Nested(OtherSpoolSchema), required=True, metadata={"description": "other spools that may be loaded"}
    )
    checked_at = Instant(required=True, metadata={"description": "time of this answer"})


@routes.route("/spools/<code>/clearance")
class SpoolClearance(Resource):
    """The clearance of a spool."""

    who = {"GET": FLOOR}

    @routes.arguments(ClearanceArgs, location="query")
    @routes.response(200, ClearanceSchema)
    def get(self, args: dict[str, Any], code: str) -> Any:
        """Check a spool for a use.

        Says whether the spool may be loaded. Answers all reasons against it, cautions, print settings and the colour
        match within the job. Nothing is stored. A spool that may not be loaded is answered with 200 and `clear` false.
        404 for an unknown code, with similar codes as `candidates`.
        """
        return clearance.clearance(code, Ask(**args))
