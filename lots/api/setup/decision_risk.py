"""What the limits, sample and instruments of a grade risk."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, OneOrMany, Strict, Text, WrittenNumber, WrittenWhole
from lots.api.http.roles import SUPPLY
from lots.api.http.routes import Resource, Routes
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.decision_risk import draw
from lots.domain.assessment.decision_risk import MOST
from lots.services.setup import decision_risk

routes = Routes("decision risk", __name__, url_prefix="/v1", description="What limits and samples risk.")


class RiskArgs(Strict):
    """Of which grade, and what to plan with in place of what is known."""

    grade_id = WrittenWhole(1, MAX_ID, required=True)
    code = Text(60, metadata={"description": "of one finding, such as color.lot_delta_e; all when left out"})
    spools = WrittenWhole(1, MOST, metadata={"description": "spools measured; the sample of the limits when left out"})
    readings = WrittenWhole(1, MOST, metadata={"description": "readings of each spool"})
    spools_in_lot = WrittenWhole(1, 100_000, metadata={"description": "20 when left out"})
    instrument_id = WrittenWhole(1, MAX_ID, metadata={"description": "the one most used when left out"})
    good = WrittenNumber(
        0, 0.99, metadata={"description": "a good lot, as part of the way from target to limit; 0.5 when left out"}
    )
    sd = WrittenNumber(0, 1000, metadata={"description": "standard deviation of a reading, in the unit of `code`"})
    between_sd = WrittenNumber(0, 1000, metadata={"description": "standard deviation between spools"})
    uncertainty = WrittenNumber(0, 1000, metadata={"description": "standard uncertainty of the instrument"})


class OutcomeChancesSchema(Schema):
    """How often a lot of one true figure passes, is near and fails."""

    true = fields.Float(required=True, metadata={"description": "true figure, in `unit`"})
    passes = fields.Float(required=True, metadata={"description": "probability, 0 to 1"})
    near = fields.Float(required=True, metadata={"description": "probability that it is held for more measurements"})
    fails = fields.Float(required=True, metadata={"description": "probability that it is rejected"})


class PlanRisksSchema(Schema):
    """Both risks of a plan."""

    false_accept_probability = fields.Float(
        required=True, allow_none=True, metadata={"description": "that a lot on its limit passes; null if unknown"}
    )
    false_reject_probability = fields.Float(
        required=True, allow_none=True, metadata={"description": "that a good lot is held or rejected; null if unknown"}
    )


class PlanChangeSchema(PlanRisksSchema):
    """Both risks, with one thing changed."""

    change = fields.String(required=True)


class MeasureRiskSchema(PlanRisksSchema):
    """What the plan of one figure risks."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True, metadata={"description": "of limit, standard deviations and curve"})
    limit = OneOrMany(required=True)
    spools = fields.Integer(required=True)
    spools_in_lot = fields.Integer(required=True)
    readings_per_spool = fields.Integer(required=True)
    sd = fields.Float(required=True, allow_none=True, metadata={"description": "standard deviation of a reading"})
    between_sd = fields.Float(required=True, allow_none=True, metadata={"description": "between spools of a lot"})
    uncertainty = fields.Float(required=True, allow_none=True, metadata={"description": "of the instrument, standard"})
    instrument = fields.String(required=True, allow_none=True, metadata={"description": "code"})
    curve = fields.List(fields.Nested(OutcomeChancesSchema), required=True, metadata={"description": "the power curve"})
    changes = fields.List(fields.Nested(PlanChangeSchema), required=True)
    says = fields.String(required=True)


class DecisionRiskSchema(Schema):
    """What the newest limits of a grade risk, figure by figure."""

    grade_id = fields.Integer(required=True)
    limits_revision = fields.Integer(required=True)
    decision_rule = fields.String(required=True, metadata={"enum": ["simple", "guarded"]})
    guard_z = fields.Float(required=True)
    good = fields.Float(required=True)
    measures = fields.List(fields.Nested(MeasureRiskSchema), required=True)
    says = fields.String(required=True)


@routes.route("/decision-risk")
class DecisionRisk(Resource):
    """Risks of limits and samples."""

    who = {"GET": SUPPLY}

    @routes.arguments(RiskArgs, location="query")
    @routes.response(200, DecisionRiskSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: decision_risk.Asked) -> Any:
        """Compute how often a lot on its limit is accepted and a good lot is held.

        Compares the present sample and instrument with others. Probabilities are from 0 to 1. Nothing is stored. Also as image/svg+xml. 404 for an
        unknown grade or instrument. 422 for a grade without limits.
        """
        return pictured(decision_risk.decision_risk(args), draw)
