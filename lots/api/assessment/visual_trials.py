"""Visual trials: plaques that observers judged, the tolerance they show, and limits it supports. Kept by quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import NUMBER, Instant, Numbers, Strict, StrictBoolean, StrictFloat, StrictInteger, Text
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import LossSchema
from lots.api.setup.limits import LimitsArgs
from lots.api.setup.shades import LAB, ConditionsArgs, ConditionsSchema
from lots.services.assessment import visual_trials

routes = Routes(
    "visual-trials", __name__, url_prefix="/v1", description="Plaques judged by eye, and what they support."
)

_APART = "dL*, da*, db* from the reference"
_MOST_PLAQUES, _MOST_JUDGEMENTS = 500, 200


class JudgementArgs(Strict):
    """One observer's word on a plaque."""

    observer = Text(
        60, required=True, metadata={"description": "whose word it is, by a name or code of the shop's choosing"}
    )
    accepted = StrictBoolean(
        required=True, metadata={"description": "true when the plaque would do in place of the reference"}
    )


class TrialPlaqueArgs(Strict):
    """A plaque: its colour as `lab` or as `apart`, and `accepted` of `judged`, or `judgements` one by one."""

    code = Text(60, allow_none=True, metadata={"description": "as on the plaque; each once in a trial"})
    lab = Numbers(3, LAB, metadata={"example": [95.4, -0.7, 1.9]})
    apart = Numbers(3, _APART, -100, 100, metadata={"example": [0.4, 0.1, 0.4]})
    accepted = StrictInteger(0, 100_000, metadata={"description": "how many of those who judged it accepted it"})
    judged = StrictInteger(1, 100_000, metadata={"description": "how many judged it"})
    judgements = fields.List(
        fields.Nested(JudgementArgs),
        validate=validate.Length(1, _MOST_JUDGEMENTS),
        metadata={"description": "one per observer, instead of accepted and judged"},
    )


class VisualTrialArgs(Strict):
    """A trial against the current revision of the grade's shade."""

    example = {
        "judged_at": "2026-11-25T14:00:00+01:00",
        "conditions": ConditionsArgs.example,
        "plaques": [
            {"code": "V1", "lab": [95.5, -0.8, 1.5], "accepted": 9, "judged": 12},
            {"code": "V2", "lab": [96.5, -0.8, 1.5], "accepted": 2, "judged": 12},
        ],
    }

    judged_at = Instant(metadata={"description": "now when left out"})
    conditions = fields.Nested(
        ConditionsArgs,
        required=True,
        error_messages={"required": "This is needed."},
        metadata={"description": "under which the plaques were measured; the reference's"},
    )
    plaques = fields.List(
        fields.Nested(TrialPlaqueArgs),
        required=True,
        validate=validate.Length(1, _MOST_PLAQUES, error=f"A trial has 1 to {_MOST_PLAQUES} plaques."),
        error_messages={"required": "This is needed.", "null": "This must be a list, not null."},
        metadata={"description": "those that were shown beside the reference"},
    )
    share = StrictFloat(
        0.05,
        0.95,
        load_default=0.5,
        metadata={"description": "of judgements that accept at the border of the tolerance"},
    )
    confidence = StrictFloat(0.5, 0.999, load_default=0.95, metadata={"description": "of the intervals, two-sided"})
    within = StrictFloat(
        0.01, 1, load_default=0.1, metadata={"description": "how well each axis is wanted, as a share of it"}
    )
    note = Text(2000, lines=True, allow_none=True)


class JudgementSchema(Schema):
    """One observer's word on a plaque."""

    observer = fields.String(required=True)
    accepted = fields.Boolean(required=True)


class TrialPlaqueSchema(Schema):
    """A plaque as it was posted, and how far it lies from the reference."""

    code = fields.String()
    lab = fields.List(fields.Float(), metadata={"description": "L*, a*, b*, where they were posted"})
    apart = fields.List(fields.Float(), required=True, metadata={"description": _APART})
    accepted = fields.Integer(metadata={"description": "how many of those who judged it accepted it"})
    judged = fields.Integer(metadata={"description": "how many judged it"})
    judgements = fields.List(fields.Nested(JudgementSchema))


class VisualTrialLineSchema(Schema):
    """A trial among others."""

    id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    shade_revision = fields.Integer(required=True, metadata={"description": "that plaques were judged against"})
    reference = fields.List(fields.Float(), required=True, metadata={"description": "its L*, a*, b*"})
    judged_at = Instant(required=True)
    plaque_count = fields.Integer(required=True)
    judgement_count = fields.Integer(required=True)
    share = fields.Float(
        required=True, metadata={"description": "of judgements that accept at the border of the tolerance, 0 to 1"}
    )
    confidence = fields.Float(required=True, metadata={"description": "of the intervals, two-sided, 0 to 1"})
    within = fields.Float(required=True, metadata={"description": "how well each axis is wanted, as a share of it"})
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class TrialAxisSchema(Schema):
    """How far the tolerance reaches in a direction, and in the opposite one."""

    direction = fields.List(fields.Float(), required=True, metadata={"description": "unit vector in dL*, da*, db*"})
    half = fields.Float(
        required=True,
        metadata={"description": "distance in CIELAB from the reference to the border; the same the opposite way"},
    )
    low = fields.Float(required=True, metadata={"description": "lower end of the interval of half"})
    high = fields.Float(
        required=True, allow_none=True, metadata={"description": "null where the judgements set no upper end"}
    )


class ToleranceSchema(Schema):
    """The ellipsoid of colours about the reference that the share would accept."""

    axes = fields.List(fields.Nested(TrialAxisSchema), required=True, metadata={"description": "longest first"})
    form = fields.List(
        fields.List(fields.Float()), required=True, metadata={"description": "matrix A: on the surface x A x is 1"}
    )
    accepted_at_reference = fields.Float(required=True, metadata={"description": "share that would accept it"})
    dispersion = fields.Float(
        required=True,
        metadata={
            "description": "1 when the plaques fit an ellipsoid as chance lets expect; else how many times they scatter more"
        },
    )
    fit_p = fields.Float(
        required=True, allow_none=True, metadata={"description": "probability of fitting no better than this by chance"}
    )
    lack_of_fit = fields.Boolean(
        required=True,
        metadata={"description": "true when they scatter more than chance explains; the intervals are wider for it"},
    )
    more_judgements = fields.Integer(required=True, metadata={"description": "until every axis is known as wanted"})
    says = fields.String(required=True)


class AcrossSchema(Schema):
    """The axes with intervals for observers at large, or why they cannot be told."""

    axes = fields.List(
        fields.Nested(TrialAxisSchema),
        required=True,
        allow_none=True,
        metadata={"description": "longest first; null when they cannot be told"},
    )
    why_not = fields.String(required=True, allow_none=True, metadata={"description": "why not, and what it takes"})


class FormSchema(Schema):
    """Limits as they can be posted to the grade: its current ones, with this in place of what they asked of the colour."""

    limits = fields.Nested(LimitsArgs, required=True, allow_none=True)
    would_fail = fields.List(
        fields.Nested(LossSchema),
        required=True,
        metadata={"description": "lots in stock that would lose a use which the grade's current limits leave them"},
    )
    why_not = fields.String(
        required=True, allow_none=True, metadata={"description": "why there are no limits of this form"}
    )
    says = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "which limits on the colour are tightened, loosened, set and kept"},
    )


class TrialBoxSchema(Schema):
    """Half widths of separate limits."""

    L = fields.Float(required=True, metadata={"description": "most |dL*|"})
    a = fields.Float(required=True, metadata={"description": "most |da*|"})
    b = fields.Float(required=True, metadata={"description": "most |db*|"})


class ProposalSchema(Schema):
    """Limits that lie wholly inside the tolerance. They are a proposal: nothing is set until somebody posts them."""

    formula = fields.String(
        required=True, metadata={"description": "of the colour difference: that of the grade's limits"}
    )
    weights = fields.List(fields.Float(), required=True, metadata={"description": "of the formula, in its order"})
    delta_e = fields.Float(required=True, metadata={"description": "the largest difference that is wholly inside"})
    delta_e_mean = fields.Float(required=True, metadata={"description": "difference at the border, averaged over it"})
    delta_e_most = fields.Float(
        required=True,
        metadata={
            "description": "the largest difference anywhere inside: a limit above it adds only what the trial rejects"
        },
    )
    kept_by_delta_e = fields.Float(required=True, metadata={"description": "share of what the trial accepts"})
    components = fields.Nested(TrialBoxSchema, required=True)
    kept_by_components = fields.Float(
        required=True, metadata={"description": "share of what the trial accepts that the components alone accept"}
    )
    by_delta_e = fields.Nested(FormSchema, required=True)
    by_components = fields.Nested(FormSchema, required=True)
    says = fields.String(required=True)


class VisualTrialSchema(VisualTrialLineSchema):
    """A trial with what it shows: a tolerance and limits it supports, or why there are none."""

    conditions = fields.Nested(ConditionsSchema, required=True)
    plaques = fields.List(fields.Nested(TrialPlaqueSchema), required=True)
    tolerance = fields.Nested(ToleranceSchema, required=True, allow_none=True)
    why_no_tolerance = fields.String(
        required=True, allow_none=True, metadata={"description": "why there is none, and what to show next"}
    )
    across_observers = fields.Nested(AcrossSchema, required=True)
    proposal = fields.Nested(ProposalSchema, required=True, allow_none=True)
    why_no_proposal = fields.String(
        required=True, allow_none=True, metadata={"description": "why there is none, and what to show next"}
    )


@routes.route(f"/grades/<{NUMBER}:number>/visual-trials")
class VisualTrials(Resource):
    """Visual trials for a grade."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/visual-trials/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(VisualTrialLineSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a grade's visual trials, oldest first.

        The list leaves out the results. GET /v1/visual-trials/{number} has them. 404 for an unknown grade.
        """
        return page_answer(visual_trials.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(VisualTrialArgs)
    @routes.response(201, VisualTrialSchema)
    def post(self, args: visual_trials.PostedTrial, number: int) -> Any:
        """Store a visual trial, and answer the tolerance that it shows.

        A trial is a set of plaques about the reference, each accepted or not. A trial that shows no tolerance is stored too, with the reason and what
        to show next. 409 without an approved reference. 404 for an unknown grade.
        """
        made = visual_trials.add(number, args, person().name)
        return made, self.location(made)


@routes.route(f"/visual-trials/<{NUMBER}:number>")
class OneVisualTrial(Resource):
    """One visual trial."""

    who = {"GET": ("quality",)}

    @routes.response(200, VisualTrialSchema)
    def get(self, number: int) -> Any:
        """Show a visual trial with its results.

        Compares them with the grade's current limits and the lots in stock. 404 for an unknown number.
        """
        return visual_trials.shown(number)
