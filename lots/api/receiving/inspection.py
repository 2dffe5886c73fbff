"""Sampling plans and how severely a supplier's lots are inspected."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, Strict, StrictInteger, Text, WrittenNumber, WrittenWhole
from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.domain.receiving.sampling_plans import LEVELS, SEVERITIES
from lots.services.receiving import inspection_severity

routes = Routes("inspection", __name__, url_prefix="/v1", description="How many spools to measure, and how severely.")


class PlanArgs(Strict):
    """Which plan."""

    lot_size = WrittenWhole(1, 10_000_000, required=True, metadata={"description": "spools presented together"})
    aql = WrittenNumber(required=True, metadata={"description": "acceptance quality limit, % nonconforming"})
    level = Text(3, one_of=LEVELS, load_default="II", metadata={"description": "inspection level"})
    severity = Text(10, one_of=SEVERITIES, load_default="normal", metadata={"description": "of the inspection"})


class PlanSchema(Schema):
    """A single sampling plan of MIL-STD-105E."""

    code_letter = fields.String(required=True, metadata={"description": "of the lot"})
    plan_letter = fields.String(required=True, metadata={"description": "of the plan an arrow led to; mostly the same"})
    size = fields.Integer(required=True, metadata={"description": "spools to measure"})
    accept = fields.Integer(required=True, metadata={"description": "most nonconforming spools that accept the lot"})
    reject = fields.Integer(required=True, metadata={"description": "fewest nonconforming spools that refuse it"})
    inspect_all = fields.Boolean(required=True, metadata={"description": "true when the sample is the whole lot"})
    says = fields.String(required=True)


class SeverityArgs(Strict):
    """Whose lots of what."""

    supplier_id = WrittenWhole(1, MAX_ID, required=True)
    grade_id = WrittenWhole(1, MAX_ID, required=True)


class ResumeArgs(Strict):
    """Whose lots of what, and why inspection begins again."""

    example = {"supplier_id": 1, "grade_id": 1, "reason": "The supplier has replaced the extruder."}

    supplier_id = StrictInteger(1, MAX_ID, required=True)
    grade_id = StrictInteger(1, MAX_ID, required=True)
    reason = Text(2000, lines=True, required=True, metadata={"description": "what the supplier put right, in words"})


class RecordLineSchema(Schema):
    """A lot in the record."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    accepted = fields.Boolean(
        required=True, allow_none=True, metadata={"description": "for at least one use; null while not concluded"}
    )
    resubmitted = fields.Boolean(
        required=True, metadata={"description": "true when it had been refused before: it does not move the severity"}
    )


class SeveritySchema(Schema):
    """How severely the next lot is inspected, derived from the record each time it is asked for."""

    supplier_id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    severity = fields.String(
        required=True, metadata={"description": "of the next lot's inspection", "enum": [*SEVERITIES, "discontinued"]}
    )
    since_lot = fields.Integer(required=True, metadata={"description": "position in the record, from 1"})
    says = fields.String(required=True)
    record = fields.List(
        fields.Nested(RecordLineSchema),
        required=True,
        metadata={"description": f"the newest {inspection_severity.LOTS_SHOWN} lots, oldest first"},
    )


@routes.route("/sampling-plan")
class SamplingPlan(Resource):
    """A sampling plan."""

    who = {"GET": ALL}

    @routes.arguments(PlanArgs, location="query")
    @routes.response(200, PlanSchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Look up the sample size and acceptance number of a plan (MIL-STD-105E, single sampling).

        The lot size is in spools, the acceptance quality limit in % nonconforming. Nothing is stored. 422 for an AQL or level that the standard lacks.
        """
        return inspection_severity.plan_view(args["lot_size"], args["level"], args["aql"], args["severity"])


@routes.route("/inspection-severity")
class InspectionSeverity(Resource):
    """The severity for a supplier's next lot of a grade."""

    who = {"GET": ALL, "POST": ("quality",)}

    @routes.arguments(SeverityArgs, location="query")
    @routes.response(200, SeveritySchema)
    def get(self, args: dict[str, Any]) -> Any:
        """Say how severely a supplier's next lot of a grade is inspected.

        Answers the reason, and what leads to another severity. 404 for an unknown supplier or grade.
        """
        return inspection_severity.severity_view(args["supplier_id"], args["grade_id"])

    @routes.arguments(ResumeArgs)
    @routes.response(201, SeveritySchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Resume discontinued inspection at tightened severity.

        409 where inspection was not discontinued. 404 for an unknown supplier or grade.
        """
        return inspection_severity.resume(args["supplier_id"], args["grade_id"], args["reason"], person().name)
