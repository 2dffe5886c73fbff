"""Concessions. One person requests a concession, another approves it."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import NUMBER, Instant, Strict, StrictBoolean, StrictFloat, Text, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.lot_schemas import ReachSchema
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.assessment import concessions
from lots.services.production import conceded

routes = Routes(
    "concessions",
    __name__,
    url_prefix="/v1",
    description="Concessions for nonconforming lots, with uses, mass and time.",
)


class ConcessionArgs(Strict):
    """A request for a concession (ISO 9000:2015, 3.12.5)."""

    example = {
        "uses": ["hidden"],
        "max_mass_g": 500,
        "valid_until": "2027-01-31T00:00:00Z",
        "reason": "Brackets inside a housing.",
        "requested_by": "Wilhelmina",
    }

    uses = fields.List(
        Text(20, one_of=(*USES, GENERAL)),
        required=True,
        validate=validate.Length(1, 6, error="Name at least one use."),
        error_messages={"required": "This is required."},
        metadata={"label": "Uses"},
    )
    max_mass_g = StrictFloat(
        above=0,
        high=10_000_000,
        required=True,
        metadata={"label": "Quantity", "description": "permitted filament mass, g"},
    )
    valid_until = Instant(
        required=True,
        metadata={"label": "Valid until", "description": "latest start of a load under the concession"},
    )
    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason"})
    requested_by = Text(
        120, metadata={"label": "Requested by", "description": "name of the requester; the sender by default"}
    )
    finish_running = StrictBoolean(
        metadata={"description": "true (default) if a job that has started may continue after the end"}
    )


class WithdrawArgs(Strict):
    """The reason for withdrawing a concession."""

    example = {"reason": "The brackets are printed."}

    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason"})


class RunningSchema(Schema):
    """An open load under a concession."""

    load_id, machine, job, loaded_at = answered(ReachSchema, "load_id", "machine", "job", "loaded_at")


class ConcessionSchema(Schema):
    """A concession with its balance. `over_g` is the mass used in excess. `must_come_off` is true if open loads have to end."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    uses = fields.List(fields.String(), required=True)
    max_mass_g = fields.Float(required=True)
    taken_g = fields.Float(required=True)
    left_g = fields.Float(required=True)
    over_g = fields.Float(required=True)
    valid_until = Instant(required=True)
    finish_running = fields.Boolean(required=True)
    reason = fields.String(required=True)
    requested_by = fields.String(required=True)
    approved_by = fields.String(required=True, allow_none=True)
    approved_at = Instant(required=True, allow_none=True)
    withdrawn_by = fields.String(required=True, allow_none=True)
    withdrawn_at = Instant(required=True, allow_none=True)
    withdrawn_reason = fields.String(required=True, allow_none=True)
    running = fields.List(fields.Nested(RunningSchema), required=True)
    must_come_off = fields.Boolean(required=True)
    says = fields.String(required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ClearedForSchema(Schema):
    """The clearance of a lot for a use, without regard to spool, job and mass."""

    use = fields.String(required=True)
    clear = fields.Boolean(required=True)
    says = fields.String(required=True, metadata={"description": "clearance in words"})


class ShownConcessionSchema(ConcessionSchema):
    """A concession with the clearance under it, or after its approval."""

    clearances = fields.List(
        fields.Nested(ClearedForSchema),
        required=True,
        metadata={"description": "clearance per use; empty if withdrawn"},
    )


@routes.route(f"/lots/<{NUMBER}:number>/concessions")
class LotConcessions(Resource):
    """Concessions on a lot."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(ConcessionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the concessions of a lot.

        They are in the order they were requested. Masses are in g. 404 for an unknown lot.
        """
        return page_answer(concessions.of_lot(number, args.get("cursor"), args["limit"]))

    @routes.arguments(ConcessionArgs)
    @routes.response(201, ConcessionSchema)
    def post(self, args: concessions.Requested, number: int) -> Any:
        """Request a concession.

        It takes effect when a second person approves it. The mass is in g. 409 for a returned or scrapped lot. 422 for
        a date in the past.
        """
        return concessions.request(number, args, person().name)


@routes.route(f"/concessions/<{NUMBER}:number>")
class OneConcession(Resource):
    """One concession."""

    who = {"GET": ("quality",)}

    @routes.response(200, ShownConcessionSchema)
    def get(self, number: int) -> Any:
        """Show a concession.

        `clearances` is the clearance per use under the concession. Before approval it is the clearance that approval
        would give. Masses are in g. 404 for an unknown concession.
        """
        return conceded.shown(number)


@routes.route(f"/concessions/<{NUMBER}:number>/approve")
class Approve(Resource):
    """The approval of a concession."""

    who = {"POST": ("quality",)}

    @routes.response(201, ConcessionSchema)
    def post(self, number: int) -> Any:
        """Approve a concession.

        409 for the person who requested it. 409 if it is already approved, withdrawn or expired.
        """
        return concessions.approve(number, person().name)


@routes.route(f"/concessions/<{NUMBER}:number>/withdraw")
class Withdraw(Resource):
    """The withdrawal of a concession."""

    who = {"POST": ("quality",)}

    @routes.arguments(WithdrawArgs)
    @routes.response(201, ConcessionSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Withdraw a concession.

        Answers the loads that still run under it. 409 if it is already withdrawn.
        """
        return concessions.withdraw(number, args["reason"], person().name)
