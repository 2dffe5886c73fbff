"""Clearance of spools: whether each may be loaded for a use, and why not."""

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

routes = Routes(
    "production", __name__, url_prefix="/v1", description="May this spool be loaded, and where has it been?"
)
LENGTH_LEFT = {
    "description": "filament left, m: its mass by the density of the grade and the measured cross-section, else the nominal diameter"
}


class ClearanceArgs(Strict):
    """For what, and where."""

    use = Text(
        20, one_of=(*USES, GENERAL), required=True, metadata={"description": "what the job asks of the material"}
    )
    job = Text(120, metadata={"description": "compares colours with the other lots already used in it"})
    machine = Text(60, metadata={"description": "where it would be loaded"})
    mass_g = WrittenNumber(metadata={"description": "what the job needs, g"})
    match_max = WrittenNumber(metadata={"description": "the job's own limit on colour between lots, over the grade's"})


class ConcessionUsedSchema(Schema):
    """The permission a load rests on, where the lot does not conform."""

    id = fields.Integer(required=True)
    uses = fields.List(fields.String(), required=True, metadata={"description": "that it permits"})
    left_g = fields.Float(required=True, metadata={"description": "what may still be taken, g"})
    valid_until = Instant(required=True)
    finish_running = fields.Boolean(
        required=True, metadata={"description": "true when a job begun in time may run on after valid_until"}
    )
    approved_by = fields.String(required=True)
    says = fields.String(required=True)


class SettingsSchema(Schema):
    """What to set for this spool, from measurements; null where nothing was measured."""

    flow_factor = fields.Float(
        required=True, allow_none=True, metadata={"description": "nominal over measured cross-section"}
    )
    flow_factor_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty; null when unknown"}
    )
    flow_from = fields.String(
        required=True, allow_none=True, metadata={"description": "spool, or lot when the spool was not measured"}
    )
    scale_x = fields.Float(required=True, allow_none=True, metadata={"description": "what to scale a part by along X"})
    scale_y = fields.Float(required=True, allow_none=True, metadata={"description": "what to scale a part by along Y"})
    scale_z = fields.Float(required=True, allow_none=True, metadata={"description": "what to scale a part by along Z"})
    scale_x_uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "standard uncertainty"})
    scale_y_uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "standard uncertainty"})
    scale_z_uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "standard uncertainty"})
    measured_on = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "printer of the coupons that the scales rest on; null when unknown"},
    )
    length_100_mm_x = fields.Float(
        required=True, allow_none=True, metadata={"description": "what 100 mm would come out as"}
    )
    length_100_mm_y = fields.Float(
        required=True, allow_none=True, metadata={"description": "what 100 mm would come out as"}
    )
    length_100_mm_z = fields.Float(
        required=True, allow_none=True, metadata={"description": "what 100 mm would come out as"}
    )


class PairSchema(Schema):
    """How the colour of this spool lies to another spool of the job, or of a lot on it to another lot on it."""

    supplier_lot = fields.String(required=True)
    spool_code = fields.String(
        required=True, allow_none=True, metadata={"description": "its spool in the job; null for any of the lot"}
    )
    of_lot = fields.String(required=True, metadata={"description": "the lot on this spool that is compared with it"})
    of_spool = fields.String(
        required=True, allow_none=True, metadata={"description": "this spool; null for any of the lot"}
    )
    delta_e = fields.Float(
        required=True,
        allow_none=True,
        metadata={
            "description": "colour difference of the two spools, by their own means where they were measured, else by their lots', with "
            "`allowance`; null when it is not known"
        },
    )
    allowance = fields.Float(
        required=True,
        metadata={
            "description": "the part of `delta_e` for how far spools that were not measured differ from their lots' means"
        },
    )
    spools_known = fields.Boolean(
        required=True,
        metadata={"description": "false where one measured spool stands for another that was not measured"},
    )
    limit = fields.Float(required=True, allow_none=True, metadata={"description": "most that it may be within one job"})
    within = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "whether the difference keeps to `limit`; null when it cannot be told"},
    )
    direction = fields.String(
        required=True, metadata={"description": "of the difference in words, such as darker, yellower"}
    )


class SpoolStateSchema(Schema):
    """The spool's own state."""

    part = fields.Boolean(required=True, metadata={"description": "true when some of it was used"})
    spliced = fields.Boolean(required=True, metadata={"description": "true when it was wound from several spools"})
    opened_at = Instant(required=True, allow_none=True)
    dried_at = Instant(required=True, allow_none=True)
    use_by = Instant(
        required=True, allow_none=True, metadata={"description": "when its time on the shelf or since opening ends"}
    )


class SpoolToUseSchema(Schema):
    """A spool that is clear."""

    spool_code = fields.String(required=True)
    supplier_lot = fields.String(required=True)
    remaining_mass_g = fields.Float(required=True, metadata={"description": "filament without the reel, g"})
    opened_at = Instant(required=True, allow_none=True)


class OtherSpoolSchema(SpoolToUseSchema):
    """A spool that is clear for the same."""

    says = fields.String(
        required=True, allow_none=True, metadata={"description": "the terms of its concession, if any"}
    )
    why = fields.String(required=True, metadata={"description": "why this spool is offered"})


class HeldLotSchema(Schema):
    """A lot whose filament a spool holds."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "use -> verdict"}
    )
    mass_g = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "filament of this lot on the spool when it was new, g; null when it is not known"},
    )


class SimilarNameSchema(Schema):
    """A known job or machine that a new one may be misread for."""

    field = fields.String(required=True, metadata={"enum": ["job", "machine"]})
    name = fields.String(required=True, metadata={"description": "as it was first typed"})


class ClearanceSchema(Schema):
    """Clear or not, and every reason why not."""

    spool_code = fields.String(required=True)
    clear = fields.Boolean(required=True, metadata={"description": "true when it may be loaded"})
    says = fields.String(required=True, metadata={"description": "one sentence, to be read from two metres"})
    use = fields.String(required=True)
    job = fields.String(required=True, allow_none=True, metadata={"description": "as it was first typed"})
    machine = fields.String(required=True, allow_none=True, metadata={"description": "as it was first typed"})
    candidates = fields.List(
        fields.Nested(SimilarNameSchema),
        required=True,
        metadata={"description": "known jobs and machines that were probably meant, where the one asked for is new"},
    )
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "use -> verdict"}
    )
    reasons = fields.List(fields.String(), required=True, metadata={"description": "every reason why not"})
    cautions = fields.List(fields.String(), required=True, metadata={"description": "what to mind though it is clear"})
    settings = fields.Nested(SettingsSchema, required=True)
    lots = fields.List(
        fields.Nested(HeldLotSchema), required=True, metadata={"description": "each lot that the spool holds"}
    )
    spool_match = fields.List(
        fields.Nested(PairSchema), required=True, metadata={"description": "match of each two lots on the spool"}
    )
    shade_match = fields.List(
        fields.Nested(PairSchema),
        required=True,
        allow_none=True,
        metadata={"description": "colours of the job's other lots; null without a job"},
    )
    remaining_mass_g = fields.Float(required=True, metadata={"description": "filament without the reel, g"})
    length_m = fields.Float(required=True, metadata=dict(LENGTH_LEFT))
    concession = fields.Nested(ConcessionUsedSchema, required=True, allow_none=True)
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)
    spool = fields.Nested(SpoolStateSchema, required=True)
    others = fields.List(
        fields.Nested(OtherSpoolSchema), required=True, metadata={"description": "other spools that may be loaded"}
    )
    checked_at = Instant(required=True, metadata={"description": "when this was asked"})


@routes.route("/spools/<code>/clearance")
class SpoolClearance(Resource):
    """The answer to "may this spool be loaded?"."""

    who = {"GET": FLOOR}

    @routes.arguments(ClearanceArgs, location="query")
    @routes.response(200, ClearanceSchema)
    def get(self, args: dict[str, Any], code: str) -> Any:
        """Say whether a spool may be loaded for a use.

        Answers every reason against it, cautions, print settings and the colour match within the job. Nothing is stored. A spool that may not be
        loaded is answered with 200 and `clear` false. 404 for an unknown code, with near codes as `candidates`.
        """
        return clearance.clearance(code, Ask(**args))
