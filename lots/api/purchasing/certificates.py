"""Supplier certificates of deliveries, compared with own values."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import MAX_ID, NUMBER, Instant, Strict, StrictFloat, Text, WrittenWhole, answered
from lots.api.http.roles import SUPPLY
from lots.api.http.routes import Resource, Routes, person
from lots.domain.characteristics.registry import MEASURES
from lots.services.purchasing import certificates

routes = Routes(
    "certificates",
    __name__,
    url_prefix="/v1",
    description="Supplier certificates, compared with own measurements. Certificates are not evidence for a lot.",
)
# Receiving gets the certificate with the packing slip.
WHO = ("receiving", "quality", "purchasing")


class CertifiedValueArgs(Strict):
    """A certified value of one measure."""

    measure = Text(
        60,
        required=True,
        metadata={"label": "Measure", "description": f"code of the measure, one of: {', '.join(MEASURES)}"},
    )
    value = StrictFloat(
        required=True, metadata={"label": "Value", "description": "certified value, in the unit of the measure"}
    )
    standard_uncertainty = StrictFloat(
        above=0,
        allow_none=True,
        metadata={
            "label": "Standard uncertainty",
            "description": "standard uncertainty of the value, in the same unit; half of U at k = 2",
        },
    )


class CertificateArgs(Strict):
    """A certificate of a delivery."""

    example = {
        "reference": "C-2291",
        "issued_at": "2026-11-18T00:00:00Z",
        "values": [{"measure": "diameter.mean", "value": 1.752, "standard_uncertainty": 0.002}],
    }

    reference = Text(120, allow_none=True, metadata={"label": "Reference", "description": "number of the certificate"})
    issued_at = Instant(allow_none=True, metadata={"label": "Issued", "description": "date of issue"})
    values = fields.List(
        fields.Nested(CertifiedValueArgs),
        required=True,
        validate=validate.Length(1, len(MEASURES), error="State 1 to {max} values."),
        metadata={"label": "Values"},
    )
    note = Text(2000, lines=True, allow_none=True, metadata={"label": "Note"})


class CertifiedValueSchema(Schema):
    """A certified value."""

    measure = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    value = fields.Float(required=True)
    standard_uncertainty = fields.Float(required=True, allow_none=True)


class CountingValueSchema(CertifiedValueSchema):
    """The newest certified value of a measure, which counts."""

    certificate_id = fields.Integer(required=True, metadata={"description": "certificate with this value"})


class KeptCertificateSchema(Schema):
    """A stored certificate."""

    id = fields.Integer(required=True)
    reference, issued_at, note = answered(CertificateArgs, "reference", "issued_at", "note")
    values = fields.List(fields.Nested(CertifiedValueSchema), required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class CertificateSchema(KeptCertificateSchema):
    """The newest certificate of a delivery with the values that count, and earlier certificates."""

    values = fields.List(
        fields.Nested(CountingValueSchema),
        required=True,
        metadata={"description": "newest value of each measure, also from earlier certificates"},
    )
    delivery_id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier_id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    earlier = fields.List(
        fields.Nested(KeptCertificateSchema),
        required=True,
        metadata={"description": "earlier certificates, newest first"},
    )
    says = fields.String(required=True)


@routes.route(f"/deliveries/<{NUMBER}:number>/certificate")
class DeliveryCertificate(Resource):
    """The supplier's certificate of a delivery."""

    who = {"GET": WHO, "POST": WHO}

    @routes.response(200, CertificateSchema)
    def get(self, number: int) -> Any:
        """Show the certificate of a delivery.

        Answers the newest certificate, the values that count, and earlier certificates. The newest value of each
        measure counts. 404 for an unknown delivery, and for a delivery without a certificate.
        """
        return certificates.of_delivery(number)

    @routes.arguments(CertificateArgs)
    @routes.response(201, CertificateSchema)
    def post(self, args: certificates.CertificateBody, number: int) -> Any:
        """Store a supplier certificate.

        Its values are not evidence for the lot. The newest value of each measure counts. Earlier certificates are kept.
        404 for an unknown delivery. 409 for a closed delivery. 422 for an unknown or repeated measure, and for an
        implausible value.
        """
        return certificates.keep(number, args, person().name)


class CertificatesOfArgs(Strict):
    """A supplier and a grade."""

    supplier_id = WrittenWhole(
        1, MAX_ID, required=True, metadata={"label": "Supplier", "description": "number of the supplier"}
    )
    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"label": "Grade", "description": "number of the grade"})


class CertificateComparisonArgs(CertificatesOfArgs):
    """A supplier and a grade, with a span of receipt."""

    received_from = Instant(data_key="from", metadata={"description": "earliest time of receipt"})
    received_to = Instant(data_key="to", metadata={"description": "latest time of receipt"})


def _maybe(about: str) -> fields.Float:
    return fields.Float(required=True, allow_none=True, metadata={"description": about})


class OtherwiseSchema(Schema):
    """The number of lots with a different verdict by certificate."""

    count = fields.Integer(required=True)
    of = fields.Integer(required=True)
    low = _maybe("limit of the Wilson interval of the share; null without lots")
    high = _maybe("limit of the Wilson interval of the share; null without lots")


class ComparedLotSchema(Schema):
    """One measure of a lot, by certificate and by own readings."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    received_at = Instant(required=True)
    certificate = fields.Float(required=True)
    shop = fields.Float(required=True)
    difference = fields.Float(required=True, metadata={"description": "certificate minus own value"})


class ComparedMeasureSchema(Schema):
    """One measure over the lots that have both values. All numbers are in `unit`."""

    measure = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    lots = fields.Integer(required=True)
    bias = fields.Float(required=True, metadata={"description": "mean of certificate minus own value"})
    low = _maybe("lower limit of Student's interval of the bias; null below three lots or with equal differences")
    high = _maybe("upper limit of Student's interval of the bias; null as for `low`")
    standard_error = _maybe("standard uncertainty of the bias; null for one lot")
    sd = _maybe("standard deviation of the differences; null for one lot")
    agreement_low = _maybe("lower limit of agreement (Bland and Altman 1986); null as for `low`")
    agreement_high = _maybe("upper limit of agreement; null as for `low`")
    significant = fields.Boolean(required=True, metadata={"description": "true if the interval of the bias excludes 0"})
    let_pass = fields.Nested(
        OtherwiseSchema,
        required=True,
        metadata={"description": "lots that fail the limit by own values but meet it by the certificate"},
    )
    held_back = fields.Nested(
        OtherwiseSchema,
        required=True,
        metadata={"description": "lots that meet the limit by own values but fail it by the certificate"},
    )
    points = fields.List(fields.Nested(ComparedLotSchema), required=True)
    says = fields.String(required=True)
    judged_says = fields.String(required=True)


class CertificateComparisonSchema(Schema):
    """Certificates compared with own values."""

    supplier_id = fields.Integer(required=True)
    supplier = fields.String(required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.String(required=True)
    received_from = Instant(data_key="from", attribute="from", required=True, allow_none=True)
    received_to = Instant(data_key="to", attribute="to", required=True, allow_none=True)
    confidence = fields.Float(required=True)
    lots = fields.Integer(required=True, metadata={"description": "number of lots with a certificate"})
    measures = fields.List(fields.Nested(ComparedMeasureSchema), required=True)
    says = fields.String(required=True)


@routes.route("/certificate-comparison")
class CertificateComparison(Resource):
    """A comparison of certificates with own values."""

    who = {"GET": SUPPLY}

    @routes.arguments(CertificateComparisonArgs, location="query")
    @routes.response(200, CertificateComparisonSchema, rows="measures")
    def get(self, args: dict[str, Any]) -> Any:
        """Compare certificates with measurements.

        Answers the bias of each measure with its confidence interval, and limits of agreement. It lists the lots that
        the certificates would have accepted wrongly. Intervals are valid for a single look. 404 for an unknown supplier
        or grade. 422 if the end precedes the start.
        """
        span = args.get("received_from"), args.get("received_to")
        return certificates.compared(args["supplier_id"], args["grade_id"], *span)
