"""Visual trials, with the colour tolerance and the limits that they support. For quality."""

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
    "visual-trials",
    __name__,
    url_prefix="/v1",
    description="Visual trials of plaques, and the tolerances they support.",
)

_APART = "dL*, da*, db* from the reference"
_MOST_PLAQUES, _MOST_JUDGEMENTS = 500, 200


class JudgementArgs(Strict):
    """The judgement of one observer on a plaque."""

    observer = Text(60, required=True, metadata={"description": "name or code of the observer"})
    accepted = StrictBoolean(
        required=True, metadata={"description": "answer of the observer, true if the plaque is accepted as a match"}
    )


class TrialPlaqueArgs(Strict):
    """A plaque: its colour as `lab` or as `apart`, and `accepted` of `judged`, or `judgements` one by one."""

    code = Text(60, allow_none=True, metadata={"description": "code of the plaque, unique within the trial"})
    lab = Numbers(3, LAB, metadata={"example": [95.4, -0.7, 1.9]})
    apart = Numbers(3, _APART, -100, 100, metadata={"example": [0.4, 0.1, 0.4]})
    accepted = StrictInteger(0, 100_000, metadata={"description": "number of observers who accepted it"})
    judged = StrictInteger(1, 100_000, metadata={"description": "number of observers who assessed it"})
    judgements = fields.List(
        fields.Nested(JudgementArgs),
        validate=validate.Length(1, _MOST_JUDGEMENTS),
        metadata={"description": "one judgement per observer, instead of accepted and judged"},
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

    judged_at = Instant(metadata={"description": "time of the trial; now by default"})
    conditions = fields.Nested(
        ConditionsArgs,
        required=True,
        error_messages={"required": "This is required."},
        metadata={"description": "measuring conditions of the plaques, same as those of the reference"},
    )
    plaques = fields.List(
        fields.Nested(TrialPlaqueArgs),
        required=True,
        validate=validate.Length(1, _MOST_PLAQUES, error=f"A trial has 1 to {_MOST_PLAQUES} plaques."),
        error_messages={"required": "This is required.", "null": "This must be a list, not null."},
        metadata={"description": "plaques that were compared with the reference"},
    )
    share = StrictFloat(
        0.05,
        0.95,
        load_default=0.5,
        metadata={"description": "share of observers who accept a colour at the border of the tolerance"},
    )
    confidence = StrictFloat(
        0.5, 0.999, load_default=0.95, metadata={"description": "two-sided confidence level of the intervals"}
    )
    within = StrictFloat(
        0.01, 1, load_default=0.1, metadata={"description": "target precision of each axis, as a share of its length"}
    )
    note = Text(2000, lines=True, allow_none=True)


class JudgementSchema(Schema):
    """The judgement of one observer on a plaque."""

    observer = fields.String(required=True)
    accepted = fields.Boolean(required=True)


class TrialPlaqueSchema(Schema):
    """A plaque as recorded, with its difference from the reference."""

    code = fields.String()
    lab = fields.List(fields.Float(), metadata={"description": "L*, a*, b*, if stated"})
    apart = fields.List(fields.Float(), required=True, metadata={"description": _APART})
    accepted = fields.Integer(metadata={"description": "number of observers who accepted it"})
    judged = fields.Integer(metadata={"description": "number of observers who assessed it"})
    judgements = fields.List(fields.Nested(JudgementSchema))


class VisualTrialLineSchema(Schema):
    """A trial in a list."""

    id = fields.Integer(required=True)
    grade_id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    shade_revision = fields.Integer(required=True, metadata={"description": "shade revision of the reference"})
    reference = fields.List(
        fields.Float(), required=True, metadata={"description": "colour of the reference, L*, a*, b*"}
    )
    judged_at = Instant(required=True)
    plaque_count = fields.Integer(required=True)
    judgement_count = fields.Integer(required=True)
    share = fields.Float(
        required=True,
        metadata={"description": "share of observers who accept a colour at the border of the tolerance, 0 to 1"},
    )
    confidence = fields.Float(
        required=True, metadata={"description": "two-sided confidence level of the intervals, 0 to 1"}
    )
    within = fields.Float(
        required=True, metadata={"description": "target precision of each axis, as a share of its length"}
    )
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class TrialAxisSchema(Schema):
    """A semi-axis of the tolerance ellipsoid."""

    direction = fields.List(fields.Float(), required=True, metadata={"description": "unit vector in dL*, da*, db*"})
    half = fields.Float(
        required=True,
        metadata={
            "description": "semi-axis: CIELAB distance from the reference to the border, equal in both directions"
        },
    )
    low = fields.Float(required=True, metadata={"description": "lower confidence limit of half"})
    high = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "upper confidence limit of half; null if there is none"},
    )


class ToleranceSchema(Schema):
    """The ellipsoid of colours around the reference that the stated share of observers accepts."""

    axes = fields.List(fields.Nested(TrialAxisSchema), required=True, metadata={"description": "axes, longest first"})
    form = fields.List(
        fields.List(fields.Float()),
        required=True,
        metadata={"description": "matrix A of the ellipsoid: x A x = 1 on its surface"},
    )
    accepted_at_reference = fields.Float(
        required=True, metadata={"description": "share of observers who would accept the reference itself, 0 to 1"}
    )
    dispersion = fields.Float(
        required=True,
        metadata={"description": "dispersion about the fitted ellipsoid; 1 if chance explains it"},
    )
    fit_p = fields.Float(required=True, allow_none=True, metadata={"description": "p value of the goodness of fit"})
    lack_of_fit = fields.Boolean(
        required=True,
        metadata={"description": "true if the dispersion is significant; the intervals are then wider"},
    )
    more_judgements = fields.Integer(
        required=True, metadata={"description": "further judgements needed for the target precision"}
    )
    says = fields.String(required=True)


class AcrossSchema(Schema):
    """The axes with intervals for all observers, or the reason why they are not estimable."""

    axes = fields.List(
        fields.Nested(TrialAxisSchema),
        required=True,
        allow_none=True,
        metadata={"description": "axes, longest first; null if not estimable"},
    )
    why_not = fields.String(required=True, allow_none=True, metadata={"description": "reason, and the data needed"})


class FormSchema(Schema):
    """Limits that can be posted to the grade, the current ones with new colour limits."""

    limits = fields.Nested(LimitsArgs, required=True, allow_none=True)
    would_fail = fields.List(
        fields.Nested(LossSchema),
        required=True,
        metadata={"description": "lots in stock that would lose a use compared with the current limits"},
    )
    why_not = fields.String(
        required=True, allow_none=True, metadata={"description": "reason if no limits of this form are proposed"}
    )
    says = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "colour limits that are tightened, loosened, set and kept"},
    )


class TrialBoxSchema(Schema):
    """Half widths of limits per component."""

    L = fields.Float(required=True, metadata={"description": "maximum |dL*|"})
    a = fields.Float(required=True, metadata={"description": "maximum |da*|"})
    b = fields.Float(required=True, metadata={"description": "maximum |db*|"})


class ProposalSchema(Schema):
    """Proposed limits that lie wholly inside the tolerance. They take effect only when posted."""

    formula = fields.String(required=True, metadata={"description": "colour difference formula of the current limits"})
    weights = fields.List(
        fields.Float(), required=True, metadata={"description": "weights of the formula, in its order"}
    )
    delta_e = fields.Float(
        required=True, metadata={"description": "largest colour difference that lies wholly inside the tolerance"}
    )
    delta_e_mean = fields.Float(
        required=True, metadata={"description": "mean colour difference over the border of the tolerance"}
    )
    delta_e_most = fields.Float(
        required=True,
        metadata={
            "description": "largest colour difference inside the tolerance; a limit above it accepts only rejected colours in addition"
        },
    )
    kept_by_delta_e = fields.Float(
        required=True, metadata={"description": "share of the accepted colours that delta_e accepts, 0 to 1"}
    )
    components = fields.Nested(TrialBoxSchema, required=True)
    kept_by_components = fields.Float(
        required=True,
        metadata={"description": "share of the accepted colours that the component limits accept, 0 to 1"},
    )
    by_delta_e = fields.Nested(FormSchema, required=True)
    by_components = fields.Nested(FormSchema, required=True)
    says = fields.String(required=True)


class VisualTrialSchema(VisualTrialLineSchema):
    """A trial with its tolerance and proposed limits, or the reason why there are none."""

    conditions = fields.Nested(ConditionsSchema, required=True)
    plaques = fields.List(fields.Nested(TrialPlaqueSchema), required=True)
    tolerance = fields.Nested(ToleranceSchema, required=True, allow_none=True)
    why_no_tolerance = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "reason if there is none, and the plaques to show next"},
    )
    across_observers = fields.Nested(AcrossSchema, required=True)
    proposal = fields.Nested(ProposalSchema, required=True, allow_none=True)
    why_no_proposal = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "reason if there is none, and the plaques to show next"},
    )


@routes.route(f"/grades/<{NUMBER}:number>/visual-trials")
class VisualTrials(Resource):
    """Visual trials for a grade."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/visual-trials/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(VisualTrialLineSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the visual trials of a grade.

        The oldest come first. The list omits the results. See GET /v1/visual-trials/{number} for them. 404 for an
        unknown grade.
        """
        return page_answer(visual_trials.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(VisualTrialArgs)
    @routes.response(201, VisualTrialSchema)
    def post(self, args: visual_trials.PostedTrial, number: int) -> Any:
        """Store a visual trial.

        Answers the colour tolerance that it supports. In a trial, observers accept or reject plaques compared with the
        reference. A trial that supports no tolerance is stored with the reason and the plaques to show next. 409
        without an approved reference. 404 for an unknown grade.
        """
        made = visual_trials.add(number, args, person().name)
        return made, self.location(made)


@routes.route(f"/visual-trials/<{NUMBER}:number>")
class OneVisualTrial(Resource):
    """One visual trial."""

    who = {"GET": ("quality",)}

    @routes.response(200, VisualTrialSchema)
    def get(self, number: int) -> Any:
        """Show a visual trial.

        The results are compared with the current limits of the grade and with the lots in stock. 404 for an unknown
        trial.
        """
        return visual_trials.shown(number)
