"""Corrective actions: what a supplier is asked to put right, its answer, and the lots that close it."""

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
    description="What a supplier is asked to put right, and whether it did.",
)
WHO = ("quality", "purchasing")


class ActionArgs(Strict):
    """What a supplier is asked to do about a lot."""

    example = {
        "requested_action": "Find the cause of the diameter out of limits.",
        "due_at": "2027-01-31T00:00:00Z",
        "conforming_lots": 2,
    }

    requested_action = Text(
        4000, lines=True, required=True, metadata={"label": "What is asked", "description": "what is asked, in words"}
    )
    due_at = Instant(
        metadata={
            "label": "Answer due",
            "description": "when the answer is due; two weeks from now when left out (common practice)",
        }
    )
    conforming_lots = StrictInteger(
        1,
        MOST_CONFORMING_LOTS,
        load_default=CONFORMING_LOTS,
        metadata={
            "description": "consecutive conforming lots received after the answer that close it (common practice: 3)"
        },
    )


class AnswerArgs(Strict):
    """What the supplier answered."""

    example = {"cause": "A worn die.", "action": "A new die.", "answered_by": "Jory", "evidence": "Record 7"}

    cause = Text(4000, lines=True, required=True, metadata={"label": "Cause", "description": "the root cause it found"})
    action = Text(4000, lines=True, required=True, metadata={"label": "Action", "description": "what it did about it"})
    answered_by = Text(
        120, required=True, metadata={"label": "Who answered", "description": "who answered, at the supplier"}
    )
    answered_at = Instant(metadata={"description": "now when left out; lots received after it count"})
    evidence = Text(
        4000,
        lines=True,
        metadata={"label": "Evidence", "description": "what it sent along: a record, a certificate, a file's name"},
    )


class CloseActionArgs(Strict):
    """Why it may be closed."""

    example = {"note": "Two lots in a row were accepted."}

    note = Text(2000, lines=True, required=True)


class ActionFilterArgs(PageArgs):
    """Which corrective actions."""

    supplier_id = WrittenWhole(1, MAX_ID)
    grade_id = WrittenWhole(1, MAX_ID)
    state = Text(10, one_of=STATES)
    overdue = WrittenTruth(metadata={"description": "true: past its due moment without an answer"})


class CountedLotSchema(Schema):
    """A conforming lot that counts."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class ActionSchema(Schema):
    """A corrective action with how far it has come. What was stored is never changed: it is answered once and closed once."""

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
    overdue = fields.Boolean(required=True, metadata={"description": "past its due moment without an answer"})
    conforming_so_far = fields.Integer(
        required=True, metadata={"description": "consecutive conforming lots since the answer; those it was closed on"}
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
        metadata={"description": "numbers of the lots it was closed on"},
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
        """List a lot's corrective actions in the order they were opened.

        404 for an unknown lot.
        """
        return page_answer(corrective_actions.of_lot(number, args.get("cursor"), args["limit"]))

    @routes.arguments(ActionArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: corrective_actions.ActionBody, number: int) -> Any:
        """Request a corrective action for a lot from its supplier.

        409 for a lot that never failed a required limit and was never blocked, returned or scrapped by hand. 409 too for a repeated request that is not
        answered yet. 422 for a due date in the past.
        """
        return corrective_actions.request(number, args, person().name)


@routes.route("/corrective-actions")
class Actions(Resource):
    """All corrective actions."""

    who = {"GET": WHO}

    @routes.arguments(ActionFilterArgs, location="query")
    @routes.response(200, _PAGE)
    def get(self, args: dict[str, Any]) -> Any:
        """List corrective actions in the order they were opened.

        The filters combine. `overdue=true` lists those past their due date without an answer.
        """
        return page_answer(corrective_actions.listed(*page_args(args)))


@routes.route(f"/corrective-actions/<{NUMBER}:number>/answer")
class AnswerAction(Resource):
    """The supplier's answer."""

    who = {"POST": WHO}

    @routes.arguments(AnswerArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: corrective_actions.AnswerBody, number: int) -> Any:
        """Record the supplier's answer to a corrective action.

        409 when it has an answer already.
        """
        return corrective_actions.answer(number, args, person().name)


@routes.route(f"/corrective-actions/<{NUMBER}:number>/close")
class CloseAction(Resource):
    """Closing a corrective action."""

    who = {"POST": ("quality",)}

    @routes.arguments(CloseActionArgs)
    @routes.response(201, ActionSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Close a corrective action.

        It needs an answer, and enough consecutive lots of the supplier and grade received after it. Their original inspection must have accepted them
        for at least one use. 409 until then. `conforming_so_far`, `lacking` and `counted_lots` say how many there are.
        """
        return corrective_actions.close(number, args["note"], person().name)
