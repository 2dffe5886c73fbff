"""Assessments, decisions and reassessment."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, OneOrMany, Strict, Text, WrittenWhole, answered
from lots.api.http.roles import ALL
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import ExposureSchema, LotAfterSchema
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.findings import draw
from lots.api.readings.replicates import ExcludedLineSchema
from lots.domain.assessment.standing_by_hand import ACCEPT_STEP, ACTIONS, STANDINGS
from lots.services.assessment import decisions

routes = Routes("assessments", __name__, url_prefix="/v1/lots", description="Assessments of lots and manual decisions.")


class AssessmentArgs(Strict):
    """Time and revisions for an assessment."""

    as_of = Instant(metadata={"description": "time for the state of knowledge"})
    limits_revision = WrittenWhole(1, metadata={"description": "revision for the assessment; nothing is stored"})
    shade_revision = WrittenWhole(1, metadata={"description": "revision for the assessment; nothing is stored"})


class UncertaintyContributionSchema(Schema):
    """One source of uncertainty."""

    source = fields.String(required=True, metadata={"description": "source of the contribution"})
    standard_uncertainty = fields.Float(
        required=True, metadata={"description": "standard uncertainty, in the unit of the finding"}
    )
    degrees_of_freedom = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "degrees of freedom of the estimate; null if not estimated"},
    )


class FindingSchema(Schema):
    """A measure compared with its limit."""

    code = fields.String(
        required=True, metadata={"description": "code, as characteristic.measure", "example": "color.lot_delta_e"}
    )
    characteristic = fields.String(required=True)
    measure = fields.String(required=True, metadata={"description": "measure that was compared with the limit"})
    verdict = fields.String(required=True, metadata={"enum": ["pass", "fail", "near", "missing"]})
    value = fields.Float(required=True, allow_none=True, metadata={"description": "unrounded value, in `unit`"})
    limit = OneOrMany(
        required=True, metadata={"description": "one number, or [lowest, highest]; the limit itself conforms"}
    )
    limit_kind = fields.String(
        metadata={
            "enum": ["at least", "at most", "between"],
            "description": "type of limit; absent in decisions",
        }
    )
    unit = fields.String(
        required=True, metadata={"description": "unit of value, limit and margin; empty for a colour difference"}
    )
    n = fields.Integer(required=True, metadata={"description": "number of spools, readings or tests behind the value"})
    spools = fields.Integer(
        load_default=None,
        allow_none=True,
        metadata={"description": "number of measured spools; null if unknown"},
    )
    uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty, in `unit`"}
    )
    guard_band = fields.Float(
        required=True, allow_none=True, metadata={"description": "guard band inside the limit, in `unit`"}
    )
    coverage_factor = fields.Float(
        load_default=None,
        allow_none=True,
        metadata={
            "description": "guard band divided by standard uncertainty; above `guard_z` if the uncertainty is estimated"
        },
    )
    degrees_of_freedom = fields.Float(
        load_default=None,
        allow_none=True,
        metadata={
            "description": "effective degrees of freedom of the uncertainty (JCGM 100, G.4); null if not estimated"
        },
    )
    uncertainty_budget = fields.List(
        fields.Nested(UncertaintyContributionSchema),
        load_default=list,
        metadata={"description": "contributions to the uncertainty"},
    )
    interval_95 = fields.List(
        fields.Float(),
        load_default=None,
        allow_none=True,
        metadata={"description": "95 % confidence interval of the value, in `unit`"},
    )
    margin = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "distance to the limit, in `unit`; positive inside the limit"},
    )
    conformance_probability = fields.Float(
        required=True, allow_none=True, metadata={"description": "probability that the true value conforms, 0 to 1"}
    )
    claimable = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "true if nonconformity is proved (ISO 14253-1); null if the value conforms"},
    )
    too_coarse = fields.Boolean(
        required=True, metadata={"description": "true if the uncertainty is too large for the limit"}
    )
    subject = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "subject of the finding, such as a spool; null for the lot"},
    )
    detail = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "supplement to the value, such as the direction of a colour difference"},
    )
    uses = fields.List(fields.String(), required=True, metadata={"description": "uses that require the measure"})
    hold = fields.Boolean(
        required=True,
        metadata={"description": "true if the failure can be remedied, or if a step waits for a decision of quality"},
    )
    message = fields.String(required=True)
    to_measure = fields.String(
        required=True, allow_none=True, metadata={"description": "measurement that would decide it"}
    )


class AssessmentSchema(Schema):
    """All findings of a lot. `assessed` follows from the readings alone, `standing` also from manual decisions."""

    lot_id = fields.Integer(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    assessed = fields.String(required=True, metadata={"description": "status by the readings alone"})
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "verdict by use"}
    )
    findings = fields.List(fields.Nested(FindingSchema), required=True)
    to_measure = fields.List(fields.String(), required=True, metadata={"description": "missing measurements, in words"})
    notes = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "notes, such as readings that do not count and outliers"},
    )
    limits_revision = fields.Integer(
        required=True, allow_none=True, metadata={"description": "revision used in the assessment"}
    )
    shade_revision = fields.Integer(
        required=True, allow_none=True, metadata={"description": "revision used in the assessment"}
    )
    reading_ids = fields.List(
        fields.Integer(), required=True, metadata={"description": "numbers of the readings that count"}
    )
    as_of = Instant(required=True, metadata={"description": "time for the state of knowledge"})


class WithExcludedSchema(Schema):
    """The assessment of a lot without exclusions."""

    standing, assessed, uses, findings = answered(AssessmentSchema, "standing", "assessed", "uses", "findings")


class AssessmentNowSchema(AssessmentSchema):
    """An assessment, stored or hypothetical. It leaves out excluded readings. `with_excluded` is the assessment with them."""

    excluded = fields.List(
        fields.Nested(ExcludedLineSchema),
        required=True,
        metadata={"description": "excluded readings"},
    )
    with_excluded = fields.Nested(
        WithExcludedSchema,
        required=True,
        allow_none=True,
        metadata={"description": "assessment with the excluded readings; null if none is excluded"},
    )

    stored = fields.Boolean(
        required=True, metadata={"description": "false if revisions other than those of the lot were used"}
    )


_JUDGED = ("uses", "findings", "limits_revision", "shade_revision", "reading_ids")


class DecisionSchema(Schema):
    """A decision on the status of a lot, with author, readings and revisions."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    action = fields.String(
        required=True,
        metadata={"description": "action: received, judge, void, exclude, include, reassess, or a manual decision"},
    )
    standing = fields.String(required=True, metadata={"description": "status after the decision"})
    reason = fields.String(required=True, metadata={"description": "reason"})
    decided_at = Instant(required=True)
    decided_by = fields.String(required=True)
    uses, findings, limits_revision, shade_revision, reading_ids = answered(AssessmentSchema, *_JUDGED)


class DecisionArgs(Strict):
    """A manual decision."""

    example = {"action": "hold", "reason": "Parts of the first job were brittle."}

    action = Text(
        20,
        one_of=(*ACTIONS, ACCEPT_STEP),
        required=True,
        metadata={"label": "Decision", "description": "action; the decision in force determines which are permitted"},
    )
    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason", "description": "reason"})


class DecidedSchema(DecisionSchema):
    """A decision, with the status and the exposure of the lot."""

    lot = fields.Nested(LotAfterSchema, required=True)
    exposure = fields.Nested(ExposureSchema, required=True)


class BeforeSchema(Schema):
    """The state of a lot before reassessment."""

    standing, uses = answered(AssessmentSchema, "standing", "uses")
    limits_revision, shade_revision = answered(AssessmentSchema, "limits_revision", "shade_revision")


class ReassessedSchema(AssessmentSchema):
    """An assessment under the newest revisions, with the previous state."""

    before = fields.Nested(BeforeSchema, required=True)
    decision = fields.Nested(DecisionSchema, required=True)
    lot = fields.Nested(LotAfterSchema, required=True)


class RenewedSchema(Schema):
    """The present assessment of a lot, and that under the newest revisions."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    now = fields.Nested(
        AssessmentSchema, required=True, metadata={"description": "assessment under the present revisions of the lot"}
    )
    would_be = fields.Nested(
        AssessmentSchema, required=True, metadata={"description": "assessment under the newest revisions"}
    )


@routes.route(f"/<{NUMBER}:number>/assessment")
class Assessment(Resource):
    """The assessment of a lot."""

    who = {"GET": ALL}

    @routes.arguments(AssessmentArgs, location="query")
    @routes.response(200, AssessmentNowSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Show the findings of a lot.

        The current findings are the default. `as_of` uses only what was known at that time. `limits_revision` and
        `shade_revision` assess the lot under other revisions and store nothing. Each finding has value, limit and unit.
        Also as image/svg+xml. 404 for an unknown lot, and for a lot that was not known at `as_of`. 422 for an unknown
        revision.
        """
        asked = args.get("as_of"), args.get("limits_revision"), args.get("shade_revision")
        return pictured(decisions.assessment(number, *asked), draw)


@routes.route(f"/<{NUMBER}:number>/reassess")
class Reassess(Resource):
    """Reassessment."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.response(200, RenewedSchema)
    def get(self, number: int) -> Any:
        """Preview a reassessment.

        Compares the assessment of the lot with one under the newest revisions of limits and shade. Each finding has
        value, limit and unit. Nothing is stored. 404 for an unknown lot.
        """
        return decisions.renewed(number)

    @routes.response(201, ReassessedSchema)
    def post(self, number: int) -> Any:
        """Reassess a lot.

        The newest revisions of limits and shade are used. A new decision is stored. Earlier decisions stay unchanged.
        """
        return decisions.reassess(number, person().name)


@routes.route(f"/<{NUMBER}:number>/decisions")
class Decisions(Resource):
    """Decisions on a lot."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(DecisionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the decisions on a lot.

        The oldest come first. Each decision names its revisions, its readings and its author. 404 for an unknown lot.
        """
        return page_answer(decisions.history(number, args.get("cursor"), args["limit"]))

    @routes.arguments(DecisionArgs)
    @routes.response(201, DecidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Record a manual decision.

        Actions are block, hold, return, scrap, lift and `accept_step`. After lift, the readings decide. Nobody can
        release a lot that its readings reject. `accept_step` is permitted while a step from the last accepted lot
        leaves a use undecided. The other findings then decide. Later steps are measured from this lot once it is
        accepted. 409 if the action cannot follow the decision in force. `legal` lists the permitted actions.
        """
        return decisions.decide(number, args["action"], args["reason"], person().name)
