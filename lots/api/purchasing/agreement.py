"""The acceptance agreement for a grade, as JSON, as a page to print or as a PDF."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import Response
from marshmallow import Schema, fields

from lots.api.documents.paper_schemas import ReportAskedSchema, ReportGradeSchema, ReportLimitSchema
from lots.api.documents.printed import AS_PAGE, AS_PDF, Paper, on_paper, printed
from lots.api.http.fields import MAX_ID, NUMBER, Instant, OneOrMany, Strict, WrittenWhole
from lots.api.http.roles import SUPPLY
from lots.api.http.routes import Resource, Routes
from lots.api.purchasing.agreement_pages import sections, title_of
from lots.api.setup.decision_risk import PlanRisksSchema
from lots.domain.characteristics.registry import DECLARED
from lots.services.documents import agreement
from lots.services.setup.place import Place

routes = Routes(
    "acceptance agreement",
    __name__,
    url_prefix="/v1",
    description="Acceptance agreements for grades.",
)


class AgreementArgs(Strict):
    """A supplier and a limits revision."""

    supplier_id = WrittenWhole(
        1, MAX_ID, metadata={"label": "Supplier", "description": "number of the supplier; left blank by default"}
    )
    limits = WrittenWhole(
        1,
        MAX_ID,
        metadata={"label": "Limits revision", "description": "limits revision of the grade; the newest by default"},
    )


class AgreedSupplierSchema(Schema):
    """The supplier in the agreement."""

    id = fields.Integer(required=True)
    code = fields.String(required=True)
    name = fields.String(required=True)
    contact = fields.String(required=True, allow_none=True)


class AgreedLimitSchema(ReportLimitSchema):
    """A limit, with the uses that require it."""

    uses = fields.List(fields.String(), required=True)


class AgreedTermsSchema(ReportAskedSchema):
    """The agreed revisions, decision rule, sampling and limits."""

    limits = fields.List(fields.Nested(AgreedLimitSchema), required=True)


class AgreedRequirementSchema(Schema):
    """One value of the limits revision, in words."""

    characteristic = fields.String(required=True, metadata={"enum": list(DECLARED)})
    title = fields.String(required=True)
    label = fields.String(required=True, metadata={"description": "name of the value, with unit"})
    says = fields.String(required=True)


class AgreedUseSchema(Schema):
    """A use, and the characteristics it requires."""

    use = fields.String(required=True)
    requires = fields.List(fields.String(), required=True)


class AgreedInstrumentsSchema(Schema):
    """Instruments of one kind, with their stated standard uncertainties."""

    kind = fields.String(required=True)
    instruments = fields.Integer(required=True)
    standard_uncertainty_low = fields.Float(required=True, allow_none=True)
    standard_uncertainty_high = fields.Float(required=True, allow_none=True)
    unit = fields.String(required=True)


class AgreedMethodSchema(Schema):
    """The method for a characteristic."""

    characteristic = fields.String(required=True, metadata={"enum": list(DECLARED)})
    title = fields.String(required=True)
    says = fields.String(required=True)
    terms = fields.String(required=True, allow_none=True)
    instruments = fields.List(fields.Nested(AgreedInstrumentsSchema), required=True)


class PassingChanceSchema(Schema):
    """The probability that a delivery with this number of nonconforming spools is accepted."""

    nonconforming = fields.Integer(required=True, metadata={"description": "number of nonconforming spools"})
    passes = fields.Float(required=True, metadata={"description": "probability of acceptance, 0 to 1"})


class AgreedSampleSchema(Schema):
    """The sample of a delivery, as an example, with its risks."""

    spools = fields.Integer(required=True, metadata={"description": "number of spools in the delivery"})
    size = fields.Integer(required=True, metadata={"description": "sample size, number of spools"})
    accept = fields.Integer(required=True, metadata={"description": "acceptance number"})
    code_letter = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "code letter of the sampling plan; null without a plan"},
    )
    producer_nonconforming = fields.Integer(required=True)
    producer_risk = fields.Float(required=True, metadata={"description": "probability of rejection, 0 to 1"})
    consumer_nonconforming = fields.Integer(required=True)
    consumer_risk = fields.Float(required=True, metadata={"description": "probability of acceptance, 0 to 1"})
    chances = fields.List(fields.Nested(PassingChanceSchema), required=True)
    terms = fields.List(fields.String(), required=True)
    says = fields.String(required=True)


class AgreedRiskSchema(PlanRisksSchema):
    """The risks of limits and sample for one measure."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True)
    limit = OneOrMany(required=True)
    quantity = fields.String(
        required=True, metadata={"description": "symbol of the colour difference; empty for other quantities"}
    )
    spools = fields.Integer(required=True)
    readings_per_spool = fields.Integer(required=True)


class AgreedRisksSchema(Schema):
    """Risks of deciding from a sample of readings."""

    good = fields.Float(
        required=True, metadata={"description": "position of a good lot between target (0) and limit (1)"}
    )
    measures = fields.List(fields.Nested(AgreedRiskSchema), required=True)
    says = fields.String(required=True)


class AcceptanceAgreementSchema(Schema):
    """An acceptance agreement. It is computed on request and not stored."""

    number = fields.String(
        required=True, metadata={"description": "number of the agreement, from grade, limits revision and supplier"}
    )
    made_at = Instant(required=True)
    supplier = fields.Nested(AgreedSupplierSchema, required=True, allow_none=True)
    grade = fields.Nested(ReportGradeSchema, required=True)
    asked = fields.Nested(AgreedTermsSchema, required=True)
    requirements = fields.List(fields.Nested(AgreedRequirementSchema), required=True)
    uses = fields.List(fields.Nested(AgreedUseSchema), required=True)
    method = fields.List(fields.Nested(AgreedMethodSchema), required=True)
    sampling = fields.Nested(AgreedSampleSchema, required=True)
    decision = fields.List(fields.String(), required=True)
    risks = fields.Nested(AgreedRisksSchema, required=True)
    references = fields.List(fields.String(), required=True)
    disputes = fields.List(fields.String(), required=True)
    cautions = fields.List(fields.String(), required=True)


@routes.route(f"/grades/<{NUMBER}:number>/agreement")
class Agreement(Resource):
    """The acceptance agreement for a grade."""

    who = {"GET": SUPPLY}

    @routes.arguments(AgreementArgs, location="query")
    @routes.response(200, AcceptanceAgreementSchema)
    @routes.alt_response(200, **AS_PAGE)
    @routes.alt_response(200, **AS_PDF)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Get the acceptance agreement.

        States limits, methods, sampling, decision rule, risks and references of a grade for supplier and buyer. JSON by
        default, text/html for print, or application/pdf. 404 for an unknown grade, supplier or limits revision. 409 for
        a grade without limits. 501 if the PDF extra is not installed.
        """
        return printed(_find(number, args), laid_out)


def paper(number: int, args: dict[str, Any], wanted: str, script: str = "") -> Response:
    """Returns the agreement as a page to print (text/html) or as a PDF. A script adds a print button."""
    return on_paper(wanted, _find(number, args), laid_out, script)


def _find(number: int, args: dict[str, Any]) -> partial[dict[str, Any]]:
    return partial(_agreement, number, args.get("supplier_id"), args.get("limits"))


def _agreement(number: int, supplier_id: int | None, revision: int | None, *, to_print: bool = False) -> dict[str, Any]:
    """Returns the agreement, the same for JSON and print."""
    return agreement.agreement(number, supplier_id, revision)


def laid_out(found: dict[str, Any], place: Place) -> Paper:
    """Returns the printed form of an agreement."""
    name = f"acceptance-agreement-{found['number']}"
    return Paper("agreement", title_of(found), sections(found, place), found["made_at"], name)
