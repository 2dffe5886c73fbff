"""Corrective actions requested from suppliers, with answers and closing lots."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import MAX_ID, NUMBER, Instant, Strict, StrictInteger, Text, WrittenTruth, WrittenWhole
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_args, page_schema, person
from lots.api.lot_schemas import NamedSchema
from lots.domain.purchasing.corrective_actions import CONFORMING_LOTS, MOST_CONFORMING_LOTS, STATES
from lots.services.purchasing import corrective_actions

routes = Routes(
    "corrective actions",
    __name__,
    url_prefix="/v1",
    description="Corrective actions of suppliers.",
)
WHO = ("quality", "purchasing")


class ActionArgs(Strict):
    """A request for a corrective action."""

    example = {
        "requested_action": "Find the cause of the diameter out of limits.",
        "due_at": "2027-01-31T00:00:00Z",
        "conforming_lots": 2,
    }

    requested_action = Text(
        4000, lines=True, required=True, metadata={"label": "Requested action", "description": "requested action"}
    )
    due_at = Instant(
        metadata={
            "label": "Answer due",
            "description": "due date of the answer; by default in two weeks (common practice, no source)",
        }
    )
    conforming_lots = StrictInteger(
        1,
        MOST_CONFORMING_LOTS,
        load_default=CONFORMING_LOTS,
        metadata={
            "description": "consecutive conforming lots after the answer that are needed to close it (3 is common practice, no source)"
        },
    )


class AnswerArgs(Strict):
    """The answer of the supplier."""

    example = {"cause": "A worn die.", "action": "A new die.", "answered_by": "Jory", "evidence": "Record 7"}

    cause = Text(
        4000, lines=True, required=True, metadata={"label": "Cause", "description": "root cause found by the supplier"}
    )
    action = Text(
        4000, lines=True, required=True, metadata={"label": "Action", "description": "action taken by the supplier"}
    )
    answered_by = Text(
        120,
        required=True,
        metadata={"label": "Answered by", "description": "name of the person who answered, at the supplier"},
    )
    answered_at = Instant(metadata={"description": "time of the answer; now by default. Lots received later count"})
    evidence = Text(
        4000,
        lines=True,
        metadata={"label": "Evidence", "description": "evidence, such as a record, a certificate or a file name"},
    )


class CloseActionArgs(Strict):
    """The note on closing."""

    example = {"note": "Two lots in a row were accepted."}

    note = Text(2000, lines=True, required=True)


class ActionFilterArgs(PageArgs):
    """Filters for corrective actions."""

    supplier_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the supplier"})
    grade_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the grade"})
    state = Text(10, one_of=STATES, metadata={"description": "state of the corrective action"})
    overdue = WrittenTruth(metadata={"description": "true for unanswered actions past their due date"})


class CountedLotSchema(Schema):
    """A conforming lot that counts."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class ActionSchema(Schema):
    """A corrective action with its progress. It is answered once and closed once, and never changed."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    supplier_id = fields.Integer(required=True)
    supplier = fields.Nested(NamedSchema, required=True)
    grade_id = fields.Integer(required=True)
    grade = fields.Nested(NamedSchema, required=True)
    requested_action = fields.String(required=True)
    due_at = Instant(required=True)
    conforming_lots = fields.Integer(required=True)
    state = fields.String(required=True, metadata={"enum": list(STATES)})
    overdue = fields.Boolean(required=True, metadata={"description": "true if unanswered past the due date"})
    conforming_so_far = fields.Integer(
        required=True,
        metadata={"description": "consecutive conforming lots since the answer; for a closed action, at closing"},
    )
    counted_lots = fields.List(fields.Nested(CountedLotSchema), required=True)
    says = fields.String(required=True)
    cause = fields.String(required=True, allow_none=True)
    action = fields.String(required=True, allow_none=True)
    evidence = fields.String(required=True, allow_none=True)
    answered_at = Instant(required=True, allow_none=True)
    answered_by = fields.String(required=True, allow_none=True)
    answer_recorded_by = fields.String(required=True, allow_none=True)
    closed_at = Instant(required=True, allow_none=True)
    closed_by = fields.String(required=True, allow_none=True)
    closing_note = fields.String(required=True, allow_none=True)
    closed_on = fields.List(
        fields.Integer(),
        required=True,
        allow_none=True,
        metadata={"description": "numbers of the conforming lots at closing; null while open"},
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


_PAGE = page_schema(ActionSchema)


@routes.route(f"/lots/<{NUMBER}:number>/corrective-actions")
class LotActions(Resource):
    """Corrective actions about a lot."""

    who = {"GET": WHO, "POST": WHO}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, _PAGE)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the corrective actions of a lot.

        They are in the order they were opened. 404 for an unknown lot.
        """
        return page_answer(corrective_actions.of_lot(number, args.get("cursor"), args["limit"]))

    @routes.arguments(ActionArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: corrective_actions.ActionBody, number: int) -> Any:
        """Request a corrective action.

        It is addressed to the supplier of the lot. 409 if the lot never failed a required limit and was never blocked,
        returned or scrapped manually. 409 for a repeated request that is still unanswered. 422 for a due date in the
        past.
        """
        return corrective_actions.request(number, args, person().name)


@routes.route("/corrective-actions")
class Actions(Resource):
    """All corrective actions."""

    who = {"GET": WHO}

    @routes.arguments(ActionFilterArgs, location="query")
    @routes.response(200, _PAGE)
    def get(self, args: dict[str, Any]) -> Any:
        """List corrective actions.

        They are in the order they were opened. Filters can be combined. `overdue=true` lists unanswered actions past
        their due date.
        """
        return page_answer(corrective_actions.listed(*page_args(args)))


@routes.route(f"/corrective-actions/<{NUMBER}:number>/answer")
class AnswerAction(Resource):
    """The supplier's answer."""

    who = {"POST": WHO}

    @routes.arguments(AnswerArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: corrective_actions.AnswerBody, number: int) -> Any:
        """Record the supplier's answer.

        409 if the corrective action already has an answer.
        """
        return corrective_actions.answer(number, args, person().name)


@routes.route(f"/corrective-actions/<{NUMBER}:number>/close")
class CloseAction(Resource):
    """The closing of a corrective action."""

    who = {"POST": ("quality",)}

    @routes.arguments(CloseActionArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Close a corrective action.

        It needs an answer, and enough consecutive lots of the supplier and grade received after it. Each must have been
        accepted for at least one use in its original inspection. 409 until then. `conforming_so_far`, `lacking` and
        `counted_lots` state the progress.
        """
        return corrective_actions.close(number, args["note"], person().name)
