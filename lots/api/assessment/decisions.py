"""Assessments, decisions and judging again."""

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

routes = Routes(
    "assessments", __name__, url_prefix="/v1/lots", description="How lots are judged, and what people decide."
)


class AssessmentArgs(Strict):
    """When, and under which revisions."""

    as_of = Instant(metadata={"description": "judge by what was known then"})
    limits_revision = WrittenWhole(1, metadata={"description": "judge under this revision instead, storing nothing"})
    shade_revision = WrittenWhole(1, metadata={"description": "judge under this revision instead, storing nothing"})


class UncertaintyContributionSchema(Schema):
    """One source of uncertainty."""

    source = fields.String(required=True, metadata={"description": "where it comes from"})
    standard_uncertainty = fields.Float(required=True, metadata={"description": "in the unit of the finding"})
    degrees_of_freedom = fields.Float(
        required=True, allow_none=True, metadata={"description": "that it was estimated with; null where it is known"}
    )


class FindingSchema(Schema):
    """One measure held against its limit."""

    code = fields.String(
        required=True, metadata={"description": "characteristic.measure", "example": "color.lot_delta_e"}
    )
    characteristic = fields.String(required=True)
    measure = fields.String(
        required=True, metadata={"description": "what of the characteristic was held against the limit"}
    )
    verdict = fields.String(required=True, metadata={"enum": ["pass", "fail", "near", "missing"]})
    value = fields.Float(required=True, allow_none=True, metadata={"description": "unrounded, in `unit`"})
    limit = OneOrMany(required=True, metadata={"description": "one number, or [lowest, highest]; ends are acceptable"})
    limit_kind = fields.String(
        metadata={
            "enum": ["at least", "at most", "between"],
            "description": "which ends the limit has; only of an assessment",
        }
    )
    unit = fields.String(
        required=True, metadata={"description": "of value, limit and margin; empty for a colour difference"}
    )
    n = fields.Integer(required=True, metadata={"description": "what the value rests on: spools, readings or tests"})
    spools = fields.Integer(
        load_default=None,
        allow_none=True,
        metadata={"description": "spools that were measured for it; null if unknown"},
    )
    uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty, in `unit`"}
    )
    guard_band = fields.Float(
        required=True, allow_none=True, metadata={"description": "by which the limit is tightened, in `unit`"}
    )
    coverage_factor = fields.Float(
        load_default=None,
        allow_none=True,
        metadata={
            "description": "guard band over standard uncertainty: above `guard_z` where the uncertainty was estimated"
        },
    )
    degrees_of_freedom = fields.Float(
        load_default=None,
        allow_none=True,
        metadata={"description": "effective ones of the uncertainty (JCGM 100, G.4); null where it is known"},
    )
    uncertainty_budget = fields.List(
        fields.Nested(UncertaintyContributionSchema),
        load_default=list,
        metadata={"description": "what the uncertainty is made of"},
    )
    interval_95 = fields.List(
        fields.Float(),
        load_default=None,
        allow_none=True,
        metadata={"description": "interval that holds the true value with 95 %, in `unit`"},
    )
    margin = fields.Float(required=True, allow_none=True, metadata={"description": "positive inside the limit"})
    conformance_probability = fields.Float(
        required=True, allow_none=True, metadata={"description": "that the true value is inside the limit"}
    )
    claimable = fields.Boolean(
        required=True,
        allow_none=True,
        metadata={"description": "of a failing value: nonconformity is proved by our uncertainty (ISO 14253-1)"},
    )
    too_coarse = fields.Boolean(
        required=True, metadata={"description": "the uncertainty takes up too much of the limit"}
    )
    subject = fields.String(
        required=True, allow_none=True, metadata={"description": "what was judged, such as a spool; null for the lot"}
    )
    detail = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "what stands beside the value, such as the direction of a colour"},
    )
    uses = fields.List(fields.String(), required=True, metadata={"description": "uses that require it"})
    hold = fields.Boolean(
        required=True,
        metadata={
            "description": "a failing value with a remedy short of refusing the lot, or a step that waits for quality's decision"
        },
    )
    message = fields.String(required=True)
    to_measure = fields.String(required=True, allow_none=True, metadata={"description": "what would settle it"})


class AssessmentSchema(Schema):
    """All findings of a lot. `assessed` is what the readings say; `standing` counts decisions by hand too."""

    lot_id = fields.Integer(required=True)
    standing = fields.String(required=True, metadata={"enum": list(STANDINGS)})
    assessed = fields.String(required=True, metadata={"description": "standing by the readings alone"})
    uses = fields.Dict(
        keys=fields.String(), values=fields.String(), required=True, metadata={"description": "use -> verdict"}
    )
    findings = fields.List(fields.Nested(FindingSchema), required=True)
    to_measure = fields.List(
        fields.String(), required=True, metadata={"description": "what is still to be measured, in words"}
    )
    notes = fields.List(
        fields.String(),
        required=True,
        metadata={"description": "readings that do not count or stand apart, and what else to know"},
    )
    limits_revision = fields.Integer(required=True, allow_none=True, metadata={"description": "judged under it"})
    shade_revision = fields.Integer(required=True, allow_none=True, metadata={"description": "judged under it"})
    reading_ids = fields.List(fields.Integer(), required=True, metadata={"description": "the readings that count"})
    as_of = Instant(required=True, metadata={"description": "by what was known then"})


class WithExcludedSchema(Schema):
    """What a lot would be if no reading were excluded."""

    standing, assessed, uses, findings = answered(AssessmentSchema, "standing", "assessed", "uses", "findings")


class AssessmentNowSchema(AssessmentSchema):
    """An assessment, and whether it is the lot's own or a question of what would be.

    What counts is the assessment without excluded readings, each of which a named person left out for a cause; `with_excluded` says what
    it would be with them.
    """

    excluded = fields.List(
        fields.Nested(ExcludedLineSchema),
        required=True,
        metadata={"description": "readings that were left out, and by whom"},
    )
    with_excluded = fields.Nested(
        WithExcludedSchema,
        required=True,
        allow_none=True,
        metadata={"description": "null while no reading is excluded"},
    )

    stored = fields.Boolean(
        required=True, metadata={"description": "false for an answer under other revisions than the lot's"}
    )


_JUDGED = ("uses", "findings", "limits_revision", "shade_revision", "reading_ids")


class DecisionSchema(Schema):
    """Where a lot came to stand, when, by whom, on which readings and under which revisions."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    action = fields.String(
        required=True,
        metadata={"description": "received, judge, void, exclude, include, reassess, or a decision by hand"},
    )
    standing = fields.String(required=True, metadata={"description": "from then on"})
    reason = fields.String(required=True, metadata={"description": "in words"})
    decided_at = Instant(required=True)
    decided_by = fields.String(required=True)
    uses, findings, limits_revision, shade_revision, reading_ids = answered(AssessmentSchema, *_JUDGED)


class DecisionArgs(Strict):
    """A decision by hand."""

    example = {"action": "hold", "reason": "Parts of the first job were brittle."}

    action = Text(
        20,
        one_of=(*ACTIONS, ACCEPT_STEP),
        required=True,
        metadata={"label": "Decision", "description": "what may follow depends on the decision in force"},
    )
    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason", "description": "why, in words"})


class DecidedSchema(DecisionSchema):
    """A decision, with where the lot stands now and everything it has reached."""

    lot = fields.Nested(LotAfterSchema, required=True)
    exposure = fields.Nested(ExposureSchema, required=True)


class BeforeSchema(Schema):
    """Where a lot stood before it was judged again."""

    standing, uses = answered(AssessmentSchema, "standing", "uses")
    limits_revision, shade_revision = answered(AssessmentSchema, "limits_revision", "shade_revision")


class ReassessedSchema(AssessmentSchema):
    """An assessment under the newest revisions, with the old ones beside it."""

    before = fields.Nested(BeforeSchema, required=True)
    decision = fields.Nested(DecisionSchema, required=True)
    lot = fields.Nested(LotAfterSchema, required=True)


class RenewedSchema(Schema):
    """How a lot is judged, and how it would be if judged again under the newest revisions."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    now = fields.Nested(AssessmentSchema, required=True, metadata={"description": "under the revisions of the lot"})
    would_be = fields.Nested(AssessmentSchema, required=True, metadata={"description": "under the newest revisions"})


@routes.route(f"/<{NUMBER}:number>/assessment")
class Assessment(Resource):
    """How a lot is judged."""

    who = {"GET": ALL}

    @routes.arguments(AssessmentArgs, location="query")
    @routes.response(200, AssessmentNowSchema)
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Show every finding of a lot.

        By default the findings of now. `as_of` replays what was known at a moment. `limits_revision` and `shade_revision` judge by other revisions and
        store nothing. Each finding has value, limit and unit. Also as image/svg+xml. 404 for an unknown lot, and for one that was not known at `as_of`. 422 for a revision
        that does not exist.
        """
        asked = args.get("as_of"), args.get("limits_revision"), args.get("shade_revision")
        return pictured(decisions.assessment(number, *asked), draw)


@routes.route(f"/<{NUMBER}:number>/reassess")
class Reassess(Resource):
    """Judging again."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.response(200, RenewedSchema)
    def get(self, number: int) -> Any:
        """Show what judging a lot again would change.

        Compares the assessment of the lot with that under the newest revisions of limits and shade. Each finding has value, limit and unit. Stores
        nothing. 404 for an unknown lot.
        """
        return decisions.renewed(number)

    @routes.response(201, ReassessedSchema)
    def post(self, number: int) -> Any:
        """Judge a lot again under the newest revisions of limits and shade.

        Stores a new decision. The old decision stays as it was.
        """
        return decisions.reassess(number, person().name)


@routes.route(f"/<{NUMBER}:number>/decisions")
class Decisions(Resource):
    """Decisions on a lot."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(DecisionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a lot's decisions, oldest first.

        Each decision names its revisions, its readings and its author. 404 for an unknown lot.
        """
        return page_answer(decisions.history(number, args.get("cursor"), args["limit"]))

    @routes.arguments(DecisionArgs)
    @routes.response(201, DecidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Block, hold, return, scrap or lift a lot by hand, or accept a step.

        Lifting leaves the verdict to the readings. Nobody can release a lot that they refuse. `accept_step` is legal while a step from the last
        accepted lot keeps a use open. The other findings then decide, and later steps start from this lot once it is accepted. 409 when the action
        cannot follow the decision in force. `legal` lists the actions that can.
        """
        return decisions.decide(number, args["action"], args["reason"], person().name)
