"""The record of a lot: as JSON, as a page to print, or as a PDF."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import Response
from marshmallow import fields

from lots.api.assessment.concessions import ConcessionSchema
from lots.api.documents.lot_pictures import PermissionSchema
from lots.api.documents.paper_schemas import (
    PaperLotSchema,
    PaperSchema,
    ReportConcessionSchema,
    ReportDecisionSchema,
    ReportReadingSchema,
    UncertainFindingSchema,
)
from lots.api.documents.printed import AS_PAGE, AS_PDF, Paper, on_paper, printed
from lots.api.documents.record_pages import sections, title_of
from lots.api.http.fields import NUMBER, Instant, answered
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes
from lots.api.lot_schemas import NamedSchema
from lots.api.receiving.lots_and_deliveries import ByHandSchema, SpoolLineSchema
from lots.api.receiving.samples import DeliverySampleSchema
from lots.services.documents import lot_record
from lots.services.setup.place import Place

routes = Routes("record", __name__, url_prefix="/v1/lots", description="Full records of lots.")


class RecordLotSchema(PaperLotSchema):
    """The lot, with its status, and its status by the readings alone (`assessed`)."""

    recorded_at = Instant(required=True)
    assessed = fields.String(required=True)
    by_hand = fields.Nested(ByHandSchema, required=True, allow_none=True)


class RecordFindingSchema(UncertainFindingSchema):
    """A finding, with the missing measurement."""

    to_measure = fields.String(required=True, allow_none=True)


class RecordReadingSchema(ReportReadingSchema):
    """A reading, counted or not."""

    recorded_by = fields.String(required=True)
    note = fields.String(required=True, allow_none=True)
    screening = fields.Boolean(required=True)


class RecordDecisionSchema(ReportDecisionSchema):
    """A decision, with the verdict per use and the revisions."""

    uses = fields.Dict(keys=fields.String(), values=fields.String(), required=True)
    limits_revision = fields.Integer(required=True, allow_none=True)
    shade_revision = fields.Integer(required=True, allow_none=True)


class RecordConcessionSchema(ReportConcessionSchema):
    """A concession, with reason, requester, approval and withdrawal."""

    reason, requested_by, recorded_at = answered(ConcessionSchema, "reason", "requested_by", "recorded_at")
    approved_by, approved_at = answered(ConcessionSchema, "approved_by", "approved_at")
    withdrawn_by, withdrawn_at, withdrawn_reason = answered(
        ConcessionSchema, "withdrawn_by", "withdrawn_at", "withdrawn_reason"
    )


class RecordSchema(PaperSchema):
    """The full record of a lot. It is computed on request and not stored."""

    number = fields.String(
        required=True,
        metadata={"description": "number of the record, from lot and decision in force", "example": "LR-32-118"},
    )
    supplier = fields.Nested(NamedSchema, required=True)
    lot = fields.Nested(RecordLotSchema, required=True)
    samples = fields.List(
        fields.Nested(DeliverySampleSchema), required=True, metadata={"description": "sample per delivery"}
    )
    spools = fields.List(fields.Nested(SpoolLineSchema), required=True)
    uses = fields.List(fields.Nested(PermissionSchema), required=True)
    findings = fields.List(fields.Nested(RecordFindingSchema), required=True)
    notes = fields.List(fields.String(), required=True)
    to_measure = fields.List(fields.String(), required=True)
    readings = fields.List(fields.Nested(RecordReadingSchema), required=True)
    decisions = fields.List(fields.Nested(RecordDecisionSchema), required=True)
    concessions = fields.List(fields.Nested(RecordConcessionSchema), required=True)


@routes.route(f"/<{NUMBER}:number>/record")
class LotRecord(Resource):
    """The record of a lot."""

    who = {"GET": ALL}

    @routes.response(200, RecordSchema)
    @routes.alt_response(200, **AS_PAGE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, number: int) -> Any:
        """Get the record of a lot.

        JSON by default, text/html for print, or application/pdf. 404 for an unknown lot. 501 if the PDF extra is not
        installed.
        """
        return printed(partial(lot_record.record, number), _paper)


def paper(number: int, wanted: str, script: str = "") -> Response:
    """Returns the record of a lot as a page to print (text/html) or as a PDF. A script adds a print button."""
    return on_paper(wanted, partial(lot_record.record, number), _paper, script)


def _paper(found: dict[str, Any], place: Place) -> Paper:
    name = f"lot-record-{found['number']}"
    return Paper("record", title_of(found), sections(found, place), found["made_at"], name)
