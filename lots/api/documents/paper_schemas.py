"""Parts of a paper on a lot: what the report to a supplier and the record of a lot both have."""

from __future__ import annotations

from marshmallow import Schema, fields

from lots.api.assessment.decisions import DecisionSchema
from lots.api.http.fields import Instant, OneOrMany, answered
from lots.api.readings.readings import VoidLineSchema
from lots.api.setup.shades import ConditionsSchema
from lots.domain.assessment.standing_by_hand import STANDINGS


class PaperLotSchema(Schema):
    """A lot as a paper names it, and where it stands."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True, metadata={"description": "the supplier's lot number as printed"})
    received_at = Instant(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    resubmission_of = fields.Integer(required=True, allow_none=True)


class ReportGradeSchema(Schema):
    """What was bought."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    color_name = fields.String(required=True)
    polymer = fields.String(required=True)
    finish = fields.String(required=True, allow_none=True)
    filler = fields.String(required=True, allow_none=True)
    nominal_diameter_mm = fields.Float(required=True)


class ReportDeliverySchema(Schema):
    """One receipt of it."""

    id = fields.Integer(required=True)
    order_ref = fields.String(required=True, allow_none=True)
    received_at = Instant(required=True)
    spools = fields.Integer(required=True)
    net_mass_kg = fields.Float(required=True)
    note = fields.String(required=True, allow_none=True)
    closed = fields.String(
        required=True, allow_none=True, metadata={"description": "why it was closed; null while it counts"}
    )


class ReportLimitSchema(Schema):
    """A limit that is not met."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    quantity = fields.String(
        required=True, metadata={"description": "symbol of a colour difference", "example": "ΔE00"}
    )
    limit = OneOrMany(required=True)
    unit = fields.String(required=True)
    says = fields.String(required=True)


class ReportShadeSchema(Schema):
    """The colour that was approved."""

    code = fields.String(required=True)
    name = fields.String(required=True)
    revision = fields.Integer(required=True)
    lab = fields.List(fields.Float(), required=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    says = fields.String(required=True, metadata={"description": "the conditions in words"})
    recorded_at = Instant(required=True)


class ReportAskedSchema(Schema):
    """What was agreed."""

    limits_revision = fields.Integer(required=True, allow_none=True)
    limits_recorded_at = Instant(required=True, allow_none=True)
    decision_rule = fields.String(required=True, allow_none=True)
    sampling = fields.String(required=True, allow_none=True)
    terms = fields.List(fields.String(), required=True)
    limits = fields.List(fields.Nested(ReportLimitSchema), required=True)
    shade = fields.Nested(ReportShadeSchema, required=True, allow_none=True)


class ReportFindingSchema(Schema):
    """A finding in short."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    subject = fields.String(required=True, allow_none=True)
    quantity = fields.String(required=True)
    verdict = fields.String(required=True, metadata={"enum": ["pass", "fail", "near", "missing"]})
    proof = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "enum": ["proved", "not proved", None],
            "description": "of a failing value: whether it is beyond its limit by more than our uncertainty (ISO 14253-1)",
        },
    )
    value = fields.Float(required=True, allow_none=True, metadata={"description": "unrounded, in `unit`"})
    margin = fields.Float(required=True, allow_none=True, metadata={"description": "positive inside the limit"})
    limit = OneOrMany(required=True)
    limit_says = fields.String(required=True)
    unit = fields.String(required=True)
    n = fields.Integer(required=True)
    counted = fields.String(required=True, metadata={"description": "what n counts"})
    spools = fields.Integer(
        load_default=None,
        allow_none=True,
        metadata={"description": "spools that were measured for it; null if unknown"},
    )
    message = fields.String(required=True)


class ReportCheckSchema(Schema):
    """A check of an instrument."""

    checked_at = Instant(required=True)
    result = fields.String(required=True, metadata={"enum": ["pass", "fail"]})
    artefact = fields.String(required=True, allow_none=True)


class ReportInstrumentSchema(Schema):
    """An instrument, with its checks on either side of the readings that count."""

    code = fields.String(required=True)
    kind = fields.String(required=True)
    standard_uncertainty = fields.Float(required=True, allow_none=True)
    unit = fields.String(required=True)
    check_interval_days = fields.Integer(required=True)
    readings = fields.Integer(required=True)
    first_reading_at = Instant(required=True)
    last_reading_at = Instant(required=True)
    last_check = fields.Nested(
        ReportCheckSchema, required=True, allow_none=True, metadata={"description": "before its first reading"}
    )
    next_check = fields.Nested(
        ReportCheckSchema, required=True, allow_none=True, metadata={"description": "after its last reading"}
    )


class ReportMethodSchema(Schema):
    """How a characteristic was measured."""

    characteristic = fields.String(required=True)
    says = fields.String(required=True)
    readings = fields.Integer(required=True, metadata={"description": "that count"})
    without_instrument = fields.Integer(required=True)
    instruments = fields.List(fields.Nested(ReportInstrumentSchema), required=True)


class UncertainFindingSchema(ReportFindingSchema):
    """A finding with the uses that require it and how sure its value is."""

    required = fields.Boolean(required=True, metadata={"description": "false where no use turns on it alone"})
    uses = fields.List(fields.String(), required=True)
    standard_uncertainty = fields.Float(required=True, allow_none=True)
    expanded_uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "k = 2"})
    guard_band = fields.Float(required=True, allow_none=True)


class ReportReadingSchema(Schema):
    """A reading of a characteristic that fails."""

    id = fields.Integer(required=True)
    kind = fields.String(required=True)
    spool_code = fields.String(required=True)
    measured_at = Instant(required=True)
    instrument_code = fields.String(required=True, allow_none=True)
    says = fields.String(required=True)
    values = fields.Dict(keys=fields.String(), required=True, metadata={"description": "as posted"})
    retest = fields.Boolean(required=True, metadata={"description": "repeated after the evidence was complete"})
    counts = fields.Boolean(required=True)
    why_not = fields.String(required=True, allow_none=True)
    voided = fields.Nested(VoidLineSchema, required=True, allow_none=True)


class ReportDecisionSchema(Schema):
    """A decision on the lot."""

    id, action, standing, reason = answered(DecisionSchema, "id", "action", "standing", "reason")
    decided_at, decided_by = answered(DecisionSchema, "decided_at", "decided_by")


class ReportConcessionSchema(Schema):
    """A permission to use some of the lot all the same."""

    id = fields.Integer(required=True)
    state = fields.String(required=True, metadata={"enum": ["asked for", "approved", "withdrawn"]})
    uses = fields.List(fields.String(), required=True)
    max_mass_g = fields.Float(required=True)
    valid_until = Instant(required=True)
    says = fields.String(required=True)


class PaperSchema(Schema):
    """What every paper on a lot says of it."""

    decision_id = fields.Integer(required=True)
    made_at = Instant(required=True)
    says = fields.String(required=True)
    grade = fields.Nested(ReportGradeSchema, required=True)
    deliveries = fields.List(fields.Nested(ReportDeliverySchema), required=True)
    asked = fields.Nested(ReportAskedSchema, required=True)
    method = fields.List(fields.Nested(ReportMethodSchema), required=True)
    cautions = fields.List(fields.String(), required=True)
