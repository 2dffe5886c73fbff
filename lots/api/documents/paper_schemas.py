"""Schemas shared by the nonconformity report and the lot record."""

from __future__ import annotations

from marshmallow import Schema, fields

from lots.api.assessment.decisions import DecisionSchema
from lots.api.http.fields import Instant, OneOrMany, answered
from lots.api.readings.readings import VoidLineSchema
from lots.api.setup.shades import ConditionsSchema
from lots.domain.assessment.standing_by_hand import STANDINGS


class PaperLotSchema(Schema):
    """A lot in a document, with its status."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True, metadata={"description": "lot number of the supplier, as printed"})
    received_at = Instant(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    resubmission_of = fields.Integer(required=True, allow_none=True)


class ReportGradeSchema(Schema):
    """The grade of the lot."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    color_name = fields.String(required=True)
    polymer = fields.String(required=True)
    finish = fields.String(required=True, allow_none=True)
    filler = fields.String(required=True, allow_none=True)
    nominal_diameter_mm = fields.Float(required=True)


class ReportDeliverySchema(Schema):
    """A delivery of the lot."""

    id = fields.Integer(required=True)
    order_ref = fields.String(required=True, allow_none=True)
    received_at = Instant(required=True)
    spools = fields.Integer(required=True)
    net_mass_kg = fields.Float(required=True)
    note = fields.String(required=True, allow_none=True)
    closed = fields.String(
        required=True, allow_none=True, metadata={"description": "reason for closing; null if not closed"}
    )


class ReportLimitSchema(Schema):
    """A limit."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    quantity = fields.String(
        required=True,
        metadata={"description": "symbol of the colour difference; empty for other quantities", "example": "ΔE00"},
    )
    limit = OneOrMany(required=True)
    unit = fields.String(required=True)
    says = fields.String(required=True)


class ReportShadeSchema(Schema):
    """The approved reference colour."""

    code = fields.String(required=True)
    name = fields.String(required=True)
    revision = fields.Integer(required=True)
    lab = fields.List(fields.Float(), required=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    says = fields.String(required=True, metadata={"description": "measuring conditions in words"})
    recorded_at = Instant(required=True)


class ReportAskedSchema(Schema):
    """The requirements: limits, sampling, decision rule and reference."""

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
            "description": "proof of nonconformity of a failing value (ISO 14253-1); null if it conforms",
        },
    )
    value = fields.Float(required=True, allow_none=True, metadata={"description": "unrounded value, in `unit`"})
    margin = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "distance to the limit, in `unit`; positive inside the limit"},
    )
    limit = OneOrMany(required=True)
    limit_says = fields.String(required=True)
    unit = fields.String(required=True)
    n = fields.Integer(required=True)
    counted = fields.String(required=True, metadata={"description": "objects that n counts"})
    spools = fields.Integer(
        load_default=None,
        allow_none=True,
        metadata={"description": "number of measured spools; null if unknown"},
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
        ReportCheckSchema,
        required=True,
        allow_none=True,
        metadata={"description": "last check before its first reading; null without one"},
    )
    next_check = fields.Nested(
        ReportCheckSchema,
        required=True,
        allow_none=True,
        metadata={"description": "first check after its last reading; null without one"},
    )


class ReportMethodSchema(Schema):
    """How a characteristic was measured."""

    characteristic = fields.String(required=True)
    says = fields.String(required=True)
    readings = fields.Integer(required=True, metadata={"description": "number of readings that count"})
    without_instrument = fields.Integer(required=True)
    instruments = fields.List(fields.Nested(ReportInstrumentSchema), required=True)


class UncertainFindingSchema(ReportFindingSchema):
    """A finding, with the uses that require it and its uncertainty."""

    required = fields.Boolean(required=True, metadata={"description": "true if a use requires it"})
    uses = fields.List(fields.String(), required=True)
    standard_uncertainty = fields.Float(required=True, allow_none=True)
    expanded_uncertainty = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "expanded uncertainty (k = 2), in `unit`; null if unknown"},
    )
    guard_band = fields.Float(required=True, allow_none=True)


class ReportReadingSchema(Schema):
    """A reading of a characteristic that fails."""

    id = fields.Integer(required=True)
    kind = fields.String(required=True)
    spool_code = fields.String(required=True)
    measured_at = Instant(required=True)
    instrument_code = fields.String(required=True, allow_none=True)
    says = fields.String(required=True)
    values = fields.Dict(keys=fields.String(), required=True, metadata={"description": "values as recorded"})
    retest = fields.Boolean(required=True, metadata={"description": "true for a retest, after the sample was complete"})
    counts = fields.Boolean(required=True)
    why_not = fields.String(required=True, allow_none=True)
    voided = fields.Nested(VoidLineSchema, required=True, allow_none=True)


class ReportDecisionSchema(Schema):
    """A decision on the lot."""

    id, action, standing, reason = answered(DecisionSchema, "id", "action", "standing", "reason")
    decided_at, decided_by = answered(DecisionSchema, "decided_at", "decided_by")


class ReportConcessionSchema(Schema):
    """A concession for part of the lot."""

    id = fields.Integer(required=True)
    state = fields.String(required=True, metadata={"enum": ["asked for", "approved", "withdrawn"]})
    uses = fields.List(fields.String(), required=True)
    max_mass_g = fields.Float(required=True)
    valid_until = Instant(required=True)
    says = fields.String(required=True)


class PaperSchema(Schema):
    """The fields shared by all documents on a lot."""

    decision_id = fields.Integer(required=True)
    made_at = Instant(required=True)
    says = fields.String(required=True)
    grade = fields.Nested(ReportGradeSchema, required=True)
    deliveries = fields.List(fields.Nested(ReportDeliverySchema), required=True)
    asked = fields.Nested(ReportAskedSchema, required=True)
    method = fields.List(fields.Nested(ReportMethodSchema), required=True)
    cautions = fields.List(fields.String(), required=True)
