"""The report on a nonconforming lot for its supplier: as JSON, as a page to print, or as a PDF."""

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
    code, name, contact = answered(SupplierArgs)


class ReportByHandSchema(Schema):
    """Why the lot was taken out by hand."""

    action = fields.String(required=True, metadata={"enum": ["block", "return", "scrap"]})
    reason = fields.String(required=True, allow_none=True)


class ReportLotSchema(PaperLotSchema):
    """The lot that does not conform."""

    by_hand = fields.Nested(ReportByHandSchema, required=True, allow_none=True)


class ReportFailingSchema(UncertainFindingSchema):
    """A failing finding, with what shows whether nonconformity is proved."""

    outside_by = fields.Float(required=True, allow_none=True, metadata={"description": "in `unit`, positive"})
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


class NonconformityAskedSchema(ReportAskedSchema):
    """What was agreed, with all limits of the characteristics that fail."""

    all_limits = fields.List(fields.Nested(ReportLimitSchema), required=True)


class NonconformitySchema(PaperSchema):
    """A report on a nonconforming lot. It is computed when it is asked for and stored nowhere."""

    number = fields.String(required=True, metadata={"description": "lot and decision", "example": "NR-32-118"})
    as_of = Instant(required=True)
    issued_by = fields.String(
        required=True, metadata={"description": 'name of the shop; "the buyer" until it is stated'}
    )
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
    """The report on a lot for its supplier."""

    who = {"GET": SUPPLY}

    @routes.arguments(ReportArgs, location="query")
    @routes.response(200, NonconformitySchema)
    @routes.alt_response(200, **AS_PAGE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Report the nonconformity of a lot to its supplier.

        JSON by default, with `Accept: text/html` a page to print, or `application/pdf`. 409 for a lot of which nothing fails and that was not blocked by
        hand. 501 for a PDF where the extra for it is not installed. 404 for an unknown lot, and for one that was not known at `as_of`.
        """
        return printed(partial(nonconformity_report.nonconformity, number, args.get("as_of")), _paper)


def paper(number: int, wanted: str, script: str = "") -> Response:
    """Returns the paper about a lot as a page to print (text/html), with a button where there is a script for it, or as a PDF."""
    return on_paper(wanted, partial(nonconformity_report.nonconformity, number), _paper, script)


def _paper(found: dict[str, Any], place: Place) -> Paper:
    return letter_paper(found, letters.unsigned(found), place)
