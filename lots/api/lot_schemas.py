"""Schemas of lots in answers, with status and exposure."""

from __future__ import annotations

from marshmallow import Schema, fields, validate

from lots.api.http.fields import Instant
from lots.domain.assessment.standing_by_hand import STANDINGS

VERDICT = fields.String(validate=validate.OneOf(["pass", "fail", "near", "missing"]))


class ReachSchema(Schema):
    """A load of the lot: one spool on one machine for one job."""

    load_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    suspect_spool_code = fields.String(
        required=True, metadata={"description": "spool of the lot that was used there, certainly or possibly"}
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
        metadata={"description": "reason for possible use: unrecorded time, or more spools than slots"},
    )


class ExposureSchema(Schema):
    """All machines and jobs that a lot has reached, open loads first."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True)
    says = fields.String(required=True)
    still_loaded = fields.Integer(required=True, metadata={"description": "number of spools now on machines"})
    machines = fields.List(fields.String(), required=True)
    jobs = fields.List(fields.String(), required=True)
    items = fields.List(fields.Nested(ReachSchema), required=True)


class LotLineSchema(Schema):
    """A lot in short."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    # Without a title, client generators would name this type LotUses, like another schema.
    uses = fields.Dict(
        keys=fields.String(),
        values=VERDICT,
        required=True,
        metadata={"description": "verdict by use", "title": "Verdicts"},
    )


class NamedSchema(Schema):
    """A supplier or grade, with code and name."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    name = fields.String()
    color_name = fields.String()


class LotAfterSchema(LotLineSchema):
    """The state of a lot after a change, with its exposure if it may no longer be used."""

    to_measure = fields.List(fields.String(), required=True, metadata={"description": "missing measurements, in words"})
    says = fields.String(required=True)
    exposure = fields.Nested(ExposureSchema)


class LotChangedSchema(LotAfterSchema):
    """A lot whose status changed because of an instrument."""

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
