"""The decision risks of limits, sample and instruments of a grade."""

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

routes = Routes("decision risk", __name__, url_prefix="/v1", description="Risks of limits and samples.")


class RiskArgs(Strict):
    """A grade, with values that replace the known ones."""

    grade_id = WrittenWhole(1, MAX_ID, required=True, metadata={"description": "number of the grade"})
    code = Text(60, metadata={"description": "code of one finding, such as color.lot_delta_e; all findings by default"})
    spools = WrittenWhole(
        1, MOST, metadata={"description": "number of spools measured; the sample of the limits by default"}
    )
    readings = WrittenWhole(1, MOST, metadata={"description": "number of readings per spool"})
    spools_in_lot = WrittenWhole(1, 100_000, metadata={"description": "number of spools in the lot; 20 by default"})
    instrument_id = WrittenWhole(
        1, MAX_ID, metadata={"description": "number of the instrument; the most used one by default"}
    )
    good = WrittenNumber(
        0, 0.99, metadata={"description": "position of a good lot between target (0) and limit (1); 0.5 by default"}
    )
    sd = WrittenNumber(0, 1000, metadata={"description": "standard deviation of one reading, in the unit of `code`"})
    between_sd = WrittenNumber(
        0, 1000, metadata={"description": "standard deviation between spools of a lot, in the unit of `code`"}
    )
    uncertainty = WrittenNumber(
        0, 1000, metadata={"description": "standard uncertainty of the instrument, in the unit of `code`"}
    )


class OutcomeChancesSchema(Schema):
    """The outcome probabilities of a lot with a given true value."""

    true = fields.Float(required=True, metadata={"description": "true value, in `unit`"})
    passes = fields.Float(required=True, metadata={"description": "probability of acceptance, 0 to 1"})
    near = fields.Float(
        required=True, metadata={"description": "probability that the lot is held for more readings, 0 to 1"}
    )
    fails = fields.Float(required=True, metadata={"description": "probability of rejection, 0 to 1"})


class PlanRisksSchema(Schema):
    """Both risks of a plan."""

    false_accept_probability = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "probability that a lot on its limit is accepted, 0 to 1; null if unknown"},
    )
    false_reject_probability = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "probability that a good lot is held or rejected, 0 to 1; null if unknown"},
    )


class PlanChangeSchema(PlanRisksSchema):
    """Both risks, with one thing changed."""

    change = fields.String(required=True)


class MeasureRiskSchema(PlanRisksSchema):
    """The risks for one measure."""

    code = fields.String(required=True)
    label = fields.String(required=True)
    unit = fields.String(required=True, metadata={"description": "unit of limit, standard deviations and curve"})
    limit = OneOrMany(required=True)
    spools = fields.Integer(required=True)
    spools_in_lot = fields.Integer(required=True)
    readings_per_spool = fields.Integer(required=True)
    sd = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard deviation of one reading, in `unit`; null if unknown"},
    )
    between_sd = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard deviation between spools of a lot, in `unit`; null if unknown"},
    )
    uncertainty = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "standard uncertainty of the instrument, in `unit`; null if unknown"},
    )
    instrument = fields.String(
        required=True, allow_none=True, metadata={"description": "code of the instrument; null if unknown"}
    )
    curve = fields.List(fields.Nested(OutcomeChancesSchema), required=True, metadata={"description": "power curve"})
    changes = fields.List(fields.Nested(PlanChangeSchema), required=True)
    says = fields.String(required=True)


class DecisionRiskSchema(Schema):
    """The risks of the newest limits of a grade, by measure."""

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
        """Compute the decision risks.

        Answers how often a lot on its limit is accepted, and how often a good lot is held or rejected. Compares the
        present sample and instrument with alternatives. Probabilities are from 0 to 1. Nothing is stored. Also as
        image/svg+xml. 404 for an unknown grade or instrument. 422 for a grade without limits.
        """
        return pictured(decision_risk.decision_risk(args), draw)
