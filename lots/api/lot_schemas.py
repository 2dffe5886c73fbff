"""The shapes of a lot that many answers carry: where it stands, and where it has been."""

from __future__ import annotations

from marshmallow import Schema, fields, validate

from lots.api.http.fields import Instant
from lots.domain.assessment.standing_by_hand import STANDINGS

VERDICT = fields.String(validate=validate.OneOf(["pass", "fail", "near", "missing"]))


class ReachSchema(Schema):
    """One spool of the lot on one machine for one job."""

    load_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    suspect_spool_code = fields.String(
        required=True, metadata={"description": "the lot's own spool by which it got there, or possibly did"}
    )
    machine = fields.String(required=True)
    job = fields.String(required=True)
    use = fields.String(required=True)
    loaded_at = Instant(required=True)
    unloaded_at = Instant(required=True, allow_none=True)
    still_loaded = fields.Boolean(required=True)
    mass_used_g = fields.Float(required=True, allow_none=True)
    certainty = fields.String(required=True, metadata={"enum": ["certain", "possibly"]})
    gap = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "why it is only possible: unrecorded time, or more spools than slots"},
    )


class ExposureSchema(Schema):
    """Every machine and job that a lot has reached, what is still loaded first."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    says = fields.String(required=True)
    still_loaded = fields.Integer(required=True, metadata={"description": "how many spools are on machines now"})
    machines = fields.List(fields.String(), required=True)
    jobs = fields.List(fields.String(), required=True)
    items = fields.List(fields.Nested(ReachSchema), required=True)


class LotLineSchema(Schema):
    """The little of a lot that goes with every answer about it."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    # Without a title, generators of clients name its type after lot and field: LotUses, which is the name of another schema.
    uses = fields.Dict(
        keys=fields.String(),
        values=VERDICT,
        required=True,
        metadata={"description": "use -> verdict", "title": "Verdicts"},
    )


class NamedSchema(Schema):
    """A supplier or grade by name."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    name = fields.String()
    color_name = fields.String()


class LotAfterSchema(LotLineSchema):
    """Where a lot stands after a change, in words too, and what of it is loaded when it may not be."""

    to_measure = fields.List(
        fields.String(), required=True, metadata={"description": "what is still to be measured, in words"}
    )
    says = fields.String(required=True)
    exposure = fields.Nested(ExposureSchema)


class LotChangedSchema(LotAfterSchema):
    """A lot whose standing changed by what was found of an instrument."""

    standing_before = fields.String(required=True)


class LossSchema(Schema):
    """A lot in stock that would lose a use under a revision. Nothing was stored."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    would_be = fields.String(required=True)
    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    would_uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    lost_uses = fields.List(fields.String(), required=True)
    why = fields.List(fields.String(), required=True)
