"""The report on a nonconforming lot for its supplier: as JSON, as a page to print, or as a PDF."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, send_from_directory
from marshmallow import Schema, fields

from lots.api.documents.printed import AS_PAGE, AS_PDF, Paper, on_paper, printed
from lots.api.documents.report_pages import sections, title_of
from lots.api.http.fields import NUMBER, Instant, OneOrMany, Strict
from lots.api.http.routes import Resource, Routes
from lots.api.readings.readings import VoidLineSchema
from lots.api.setup.shades import ConditionsSchema
from lots.services.documents import nonconformity_report

routes = Routes(
    "nonconformity report",
    __name__,
    url_prefix="/v1",
    template_folder="templates",
    description="What was wrong with a lot, for its supplier.",
)
# What the page links to. It holds nothing of the shop's, so it needs no token.
pages = Blueprint("report pages", __name__)


@pages.get("/static/report.css")
def stylesheet() -> Response:
    """The style of the page, in a file so that a strict content security policy allows it."""
    return send_from_directory(f"{pages.root_path}/static", "report.css", mimetype="text/css")


class ReportArgs(Strict):
    """When."""

    as_of = Instant(metadata={"description": "report what was known then"})


class ReportSupplierSchema(Schema):
    """Whom it is for."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    name = fields.String(required=True)
    contact = fields.String(required=True, allow_none=True)


class ReportGradeSchema(Schema):
    """What was bought."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    color_name = fields.String(required=True)
    polymer = fields.String(required=True)
    finish = fields.String(required=True, allow_none=True)
    filler = fields.String(required=True, allow_none=True)
    nominal_diameter_mm = fields.Float(required=True)


class ReportByHandSchema(Schema):
    """Why the lot was taken out by hand."""

    action = fields.String(required=True, metadata={"enum": ["block", "return", "scrap"]})
    reason = fields.String(required=True, allow_none=True)


class ReportLotSchema(Schema):
    """The lot that does not conform."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True, metadata={"description": "the supplier's lot number as printed"})
    received_at = Instant(required=True)
    standing = fields.String(required=True)
    by_hand = fields.Nested(ReportByHandSchema, required=True, allow_none=True)
    resubmission_of = fields.Integer(required=True, allow_none=True)


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


class ReportFailingSchema(ReportFindingSchema):
    """A failing finding, with what shows whether nonconformity is proved."""

    required = fields.Boolean(required=True, metadata={"description": "false where no use turns on it alone"})
    uses = fields.List(fields.String(), required=True)
    outside_by = fields.Float(required=True, allow_none=True, metadata={"description": "in `unit`, positive"})
    standard_uncertainty = fields.Float(required=True, allow_none=True)
    expanded_uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "k = 2"})
    guard_band = fields.Float(required=True, allow_none=True)
    claimable = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "nonconformity is proved by our uncertainty (ISO 14253-1)"},
    )
    claim_says = fields.String(required=True)
    direction = fields.String(required=True, allow_none=True, metadata={"description": "of a colour difference"})
    too_coarse = fields.Boolean(required=True)
    hold = fields.Boolean(
        required=True, metadata={"description": "a remedy short of refusing the lot is in the message"}
    )


class ReportSpoolSchema(Schema):
    """A spool that does not conform by itself."""

    spool_code = fields.String(required=True)
    findings = fields.List(fields.Nested(ReportFailingSchema), required=True)


class ReportFoundSchema(Schema):
    """What was found."""

    failing = fields.List(fields.Nested(ReportFailingSchema), required=True)
    nonconforming_spools = fields.List(fields.Nested(ReportSpoolSchema), required=True)
    others = fields.List(fields.Nested(ReportFindingSchema), required=True)
    notes = fields.List(fields.String(), required=True)
    to_measure = fields.List(fields.String(), required=True)


class ReportRequestedSchema(Schema):
    """What the supplier is asked to do: the newest corrective action that is not closed; all null without one.

    `says` is the supplier's to read; `hint`, without one, is ours, and is not printed.
    """

    id = fields.Integer(required=True, allow_none=True)
    state = fields.String(required=True, allow_none=True, metadata={"enum": ["open", "answered", None]})
    overdue = fields.Boolean(required=True)
    requested_action = fields.String(required=True, allow_none=True)
    due_at = Instant(required=True, allow_none=True)
    conforming_lots = fields.Integer(required=True, allow_none=True)
    cause = fields.String(required=True, allow_none=True)
    action = fields.String(required=True, allow_none=True)
    answered_at = Instant(required=True, allow_none=True)
    answered_by = fields.String(required=True, allow_none=True)
    says = fields.String(required=True)
    hint = fields.String(required=True, allow_none=True)


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

    id = fields.Integer(required=True)
    action = fields.String(required=True)
    standing = fields.String(required=True)
    reason = fields.String(required=True)
    decided_at = Instant(required=True)
    decided_by = fields.String(required=True)


class ReportConcessionSchema(Schema):
    """A permission to use some of the lot all the same."""

    id = fields.Integer(required=True)
    state = fields.String(required=True, metadata={"enum": ["asked for", "approved", "withdrawn"]})
    uses = fields.List(fields.String(), required=True)
    max_mass_g = fields.Float(required=True)
    valid_until = Instant(required=True)
    says = fields.String(required=True)


class NonconformitySchema(Schema):
    """A report on a nonconforming lot. It is computed when it is asked for and stored nowhere."""

    number = fields.String(required=True, metadata={"description": "lot and decision", "example": "NR-32-118"})
    decision_id = fields.Integer(required=True)
    made_at = Instant(required=True)
    as_of = Instant(required=True)
    issued_by = fields.String(required=True)
    says = fields.String(required=True)
    supplier = fields.Nested(ReportSupplierSchema, required=True)
    grade = fields.Nested(ReportGradeSchema, required=True)
    lot = fields.Nested(ReportLotSchema, required=True)
    deliveries = fields.List(fields.Nested(ReportDeliverySchema), required=True)
    asked = fields.Nested(ReportAskedSchema, required=True)
    found = fields.Nested(ReportFoundSchema, required=True)
    requested = fields.Nested(ReportRequestedSchema, required=True)
    method = fields.List(fields.Nested(ReportMethodSchema), required=True)
    readings = fields.List(fields.Nested(ReportReadingSchema), required=True)
    decisions = fields.List(fields.Nested(ReportDecisionSchema), required=True)
    concessions = fields.List(fields.Nested(ReportConcessionSchema), required=True)
    cautions = fields.List(fields.String(), required=True)


@routes.route(f"/lots/<{NUMBER}:number>/nonconformity-report")
class NonconformityReport(Resource):
    """The report on a lot for its supplier."""

    who = {"GET": ("quality", "purchasing")}

    @routes.arguments(ReportArgs, location="query")
    @routes.response(200, NonconformitySchema)
    @routes.alt_response(200, **AS_PAGE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Report the nonconformity of a lot to its supplier.

        JSON by default, with `Accept: text/html` a page to print, or `application/pdf`. 409 for a lot of which nothing fails and that was not blocked by
        hand. 501 for a PDF where the extra for it is not installed. 404 for an unknown lot, and for one that was not known at `as_of`.
        """
        return printed(lambda: nonconformity_report.nonconformity(number, args.get("as_of")), _paper)


def paper(number: int, wanted: str) -> Response:
    """Returns the paper about a lot as a page to print (text/html) or a PDF."""
    return on_paper(wanted, lambda: nonconformity_report.nonconformity(number), _paper)


def _paper(found: dict[str, Any]) -> Paper:
    name = f"nonconformity-report-{found['number']}"
    return Paper("report", title_of(found), sections(found), found["made_at"], name)
