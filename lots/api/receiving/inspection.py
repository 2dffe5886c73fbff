"""Sampling plans and the inspection severity for lots of a supplier."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, StrictInteger, Text, WrittenNumber, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.domain.receiving.sampling_plans import LEVELS, SEVERITIES
from lots.services.receiving import inspection_severity

routes = Routes("inspection", __name__, url_prefix="/v1", description="Sampling plans and inspection severity.")


class PlanArgs(Strict):
    """A query for a sampling plan."""

    lot_size = WrittenWhole(1, 10_000_000, required=True, metadata={"description": "lot size, number of spools"})
    aql = WrittenNumber(required=True, metadata={"description": "acceptance quality limit, % nonconforming"})
    level = Text(3, one_of=LEVELS, load_default="II", metadata={"description": "inspection level"})
    severity = Text(10, one_of=SEVERITIES, load_default="normal", metadata={"description": "severity of inspection"})


class PlanSchema(Schema):
    """A single sampling plan of MIL-STD-105E."""

    code_letter = fields.String(required=True, metadata={"description": "sample size code letter of the lot"})
    plan_letter = fields.String(
        required=True, metadata={"description": "code letter of the plan used, after arrows of the table"}
    )
    size = fields.Integer(required=True, metadata={"description": "sample size, number of spools"})
    accept = fields.Integer(
        required=True, metadata={"description": "acceptance number: maximum nonconforming spools in an accepted lot"}
    )
    reject = fields.Integer(
        required=True, metadata={"description": "rejection number: minimum nonconforming spools in a rejected lot"}
    )
    inspect_all = fields.Boolean(required=True, metadata={"description": "true if the sample is the whole lot"})
    says = fields.String(required=True)


class SeverityArgs(Strict):
    """A supplier and a grade."""

    supplier_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the supplier"})
    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the grade"})


class ResumeArgs(Strict):
    """A supplier and a grade, with the reason for resuming inspection."""

    example = {"supplier_id": 1, "grade_id": 1, "reason": "The supplier has replaced the extruder."}

    supplier_id = StrictInteger(1, MAX_ID, required=True)
    grade_id = StrictInteger(1, MAX_ID, required=True)
    reason = Text(2000, lines=True, required=True, metadata={"description": "corrections made by the supplier"})


class RecordLineSchema(Schema):
    """A lot in the inspection record."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    accepted = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if accepted for at least one use; null if undecided"},
    )
    resubmitted = fields.Boolean(
        required=True, metadata={"description": "true for a resubmitted lot, which does not affect the severity"}
    )


class SeveritySchema(Schema):
    """The inspection severity for the next lot, derived from the record for each request."""

    supplier_id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    severity = fields.String(
        required=True,
        metadata={"description": "inspection severity for the next lot", "enum": [*SEVERITIES, "discontinued"]},
    )
    since_lot = fields.Integer(
        required=True, metadata={"description": "position of the first lot at this severity in the record, from 1"}
    )
    says = fields.String(required=True)
    record = fields.List(
        fields.Nested(RecordLineSchema),
        required=True,
        metadata={"description": f"newest {inspection_severity.LOTS_SHOWN} lots, oldest first"},
    )


@routes.route("/sampling-plan")
class SamplingPlan(Resource):
    """A sampling plan."""

    who = {"GET": ALL}

    @routes.arguments(PlanArgs, location="query")
    @routes.response(200, PlanSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Look up a sampling plan.

        Answers sample size and acceptance number (MIL-STD-105E, single sampling). The lot size is in spools, the
        acceptance quality limit in % nonconforming. Nothing is stored. 422 for an AQL or level that the standard does
        not define.
        """
        return inspection_severity.plan_view(args["lot_size"], args["level"], args["aql"], args["severity"])


@routes.route("/inspection-severity")
class InspectionSeverity(Resource):
    """The severity for a supplier's next lot of a grade."""

    who = {"GET": ALL, "POST": ("quality",)}

    @routes.arguments(SeverityArgs, location="query")
    @routes.response(200, SeveritySchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Show the inspection severity.

        It applies to the next lot of a supplier and grade. Answers the reason, and the conditions for another severity.
        404 for an unknown supplier or grade.
        """
        return inspection_severity.severity_view(args["supplier_id"], args["grade_id"])

    @routes.arguments(ResumeArgs)
    @routes.response(201, SeveritySchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Resume discontinued inspection.

        It resumes at tightened severity. 409 if inspection is not discontinued. 404 for an unknown supplier or grade.
        """
        return inspection_severity.resume(args["supplier_id"], args["grade_id"], args["reason"], person().name)
