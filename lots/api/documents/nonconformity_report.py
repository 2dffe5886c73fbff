"""The nonconformity report to a supplier, as JSON, as a page to print or as a PDF."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import Blueprint, Response, send_from_directory
from marshmallow import Schema, fields

from lots.api.documents.letter_pages import letter_paper
from lots.api.documents.paper_schemas import (
    PaperLotSchema,
    PaperSchema,
    ReportAskedSchema,
    ReportConcessionSchema,
    ReportDecisionSchema,
    ReportFindingSchema,
    ReportLimitSchema,
    ReportReadingSchema,
    UncertainFindingSchema,
)
from lots.api.documents.printed import AS_PAGE, AS_PDF, Paper, on_paper, printed
from lots.api.http.fields import NUMBER, Instant, Strict, answered
from lots.api.http.roles import SUPPLY
from lots.api.http.routes import Resource, Routes
from lots.api.setup.suppliers import SupplierArgs
from lots.services.documents import letters, nonconformity_report
from lots.services.setup.place import Place

routes = Routes(
    "nonconformity report",
    __name__,
    url_prefix="/v1",
    template_folder="templates",
    description="Nonconformity reports to suppliers.",
)
# The style sheet contains no data of the shop, so it needs no token.
pages = Blueprint("report pages", __name__)


@pages.get("/static/report.css")
def stylesheet() -> Response:
    """Returns the style sheet. A strict content security policy requires a file."""
    return send_from_directory(f"{pages.root_path}/static", "report.css", mimetype="text/css")


class ReportArgs(Strict):
    """The time of a report."""

    as_of = Instant(metadata={"description": "time for the state of knowledge"})


class ReportSupplierSchema(Schema):
    """The addressee of a report."""

    id = fields.Integer(required=True)
    code, name, contact = answered(SupplierArgs)


class ReportByHandSchema(Schema):
    """The manual decision against a lot."""

    action = fields.String(required=True, metadata={"enum": ["block", "return", "scrap"]})
    reason = fields.String(required=True, allow_none=True)


class ReportLotSchema(PaperLotSchema):
    """The lot that does not conform."""

    by_hand = fields.Nested(ReportByHandSchema, required=True, allow_none=True)


class ReportFailingSchema(UncertainFindingSchema):
    """A failing finding, with the proof of nonconformity."""

    outside_by = fields.Float(
        required=True, allow_none=True, metadata={"description": "distance outside the limit, in `unit`, positive"}
    )
    claimable = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if nonconformity is proved (ISO 14253-1)"},
    )
    claim_says = fields.String(required=True)
    direction = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "direction of a colour difference; null for other quantities"},
    )
    too_coarse = fields.Boolean(required=True)
    hold = fields.Boolean(
        required=True, metadata={"description": "true if the message states a remedy without rejection"}
    )


class ReportSpoolSchema(Schema):
    """A spool that does not conform by itself."""

    spool_code = fields.String(required=True)
    findings = fields.List(fields.Nested(ReportFailingSchema), required=True)


class ReportFoundSchema(Schema):
    """The findings of a report."""

    failing = fields.List(fields.Nested(ReportFailingSchema), required=True)
    nonconforming_spools = fields.List(fields.Nested(ReportSpoolSchema), required=True)
    others = fields.List(fields.Nested(ReportFindingSchema), required=True)
    notes = fields.List(fields.String(), required=True)
    to_measure = fields.List(fields.String(), required=True)


class ReportRequestedSchema(Schema):
    """The newest corrective action that is not closed; all fields are null without one.

    `says` is for the supplier. `hint` is for the shop and is not printed.
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


class NonconformityAskedSchema(ReportAskedSchema):
    """The requirements, with all limits of the failing characteristics."""

    all_limits = fields.List(fields.Nested(ReportLimitSchema), required=True)


class NonconformitySchema(PaperSchema):
    """A report on a nonconforming lot. It is computed on request and not stored."""

    number = fields.String(
        required=True, metadata={"description": "number of the report, from lot and decision", "example": "NR-32-118"}
    )
    as_of = Instant(required=True)
    issued_by = fields.String(required=True, metadata={"description": 'name of the shop; "the buyer" if not stated'})
    asked = fields.Nested(NonconformityAskedSchema, required=True)
    supplier = fields.Nested(ReportSupplierSchema, required=True)
    lot = fields.Nested(ReportLotSchema, required=True)
    found = fields.Nested(ReportFoundSchema, required=True)
    requested = fields.Nested(ReportRequestedSchema, required=True)
    readings = fields.List(fields.Nested(ReportReadingSchema), required=True)
    decisions = fields.List(fields.Nested(ReportDecisionSchema), required=True)
    concessions = fields.List(fields.Nested(ReportConcessionSchema), required=True)


@routes.route(f"/lots/<{NUMBER}:number>/nonconformity-report")
class NonconformityReport(Resource):
    """The nonconformity report of a lot."""

    who = {"GET": SUPPLY}

    @routes.arguments(ReportArgs, location="query")
    @routes.response(200, NonconformitySchema)
    @routes.alt_response(200, **AS_PAGE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Get the nonconformity report.

        It is addressed to the supplier. JSON by default, text/html for print, or application/pdf. 409 if no limit fails
        and the lot was not blocked manually. 501 if the PDF extra is not installed. 404 for an unknown lot, and for a
        lot that was not known at `as_of`.
        """
        return printed(partial(nonconformity_report.nonconformity, number, args.get("as_of")), _paper)


def paper(number: int, wanted: str, script: str = "") -> Response:
    """Returns the report as a page to print (text/html) or as a PDF. A script adds a print button."""
    return on_paper(wanted, partial(nonconformity_report.nonconformity, number), _paper, script)


def _paper(found: dict[str, Any], place: Place) -> Paper:
    return letter_paper(found, letters.unsigned(found), place)
