"""People and programs with a token, and their roles: kept by administrators."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Code, Instant, Strict, StrictInteger, Text, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.setup import access
from lots.services.setup.roles import ROLES

routes = Routes("people", __name__, url_prefix="/v1/people", description="People and programs with a token.")


class RenewArgs(Strict):
    """For how long a new token holds."""

    example = {"days": 365}

    days = StrictInteger(
        1,
        access.MOST_DAYS,
        load_default=access.DAYS,
        metadata={"label": "Token valid for, days", "description": "days until the token expires"},
    )


class PersonArgs(RenewArgs):
    """A new person, or a program."""

    example = {"name": "Perpetua", "role": "receiving", "days": 365}

    name = Code(
        120,
        required=True,
        metadata={"label": "Name", "description": "unique; it stands beside all that the person does"},
    )
    role = Text(
        20, required=True, one_of=ROLES, metadata={"label": "Role", "description": "what the person may do; it stays"}
    )


class PersonSchema(Schema):
    """A person or program that has or had a token."""

    id = fields.Integer(required=True)
    name, role = answered(PersonArgs, "name", "role")
    created_at = Instant(required=True, metadata={"description": "when the token was made or last renewed"})
    expires_at = Instant(required=True, allow_none=True)
    last_used_at = Instant(required=True, allow_none=True, metadata={"description": "written once a minute"})
    revoked_at = Instant(required=True, allow_none=True)


class PersonWithTokenSchema(PersonSchema):
    """A person whose token was just made."""

    token = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "it is never shown again: a repeat under the same Idempotency-Key gets null"},
    )


@routes.route("")
class People(Resource):
    """All people and programs."""

    who = {"GET": (), "POST": ()}
    shown_once = frozenset({"token"})
    made_at = "/v1/people/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(PersonSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List people and programs with their roles.

        Those whose token was revoked are included. The order is the one in which they were added.
        """
        return page_answer(access.people(args.get("cursor"), args["limit"]))

    @routes.arguments(PersonArgs)
    @routes.response(201, PersonWithTokenSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a person or a program.

        The answer has the token, which is never shown again. 409 when the name is taken. The answer's `existing_id` names who has it.
        """
        made = access.add_person(args["name"], args["role"], args["days"], person().name)
        return made, self.location(made)


@routes.route(f"/<{NUMBER}:number>")
class OnePerson(Resource):
    """One of them."""

    who = {"GET": ()}

    @routes.response(200, PersonSchema)
    def get(self, number: int) -> Any:
        """Show a person or a program.

        The token is not shown. 404 for an unknown number.
        """
        return access.person_numbered(number)


@routes.route(f"/<{NUMBER}:number>/renew")
class PersonRenewed(Resource):
    """Another token for somebody."""

    who = {"POST": ()}
    shown_once = frozenset({"token"})

    @routes.arguments(RenewArgs)
    @routes.response(201, PersonWithTokenSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Replace the token of a person or a program.

        The old token and its sessions end at once. The answer has the new one, which is never shown again. 404 for an unknown number, 409
        when the token was revoked.
        """
        return access.renew_person(number, args["days"], person().name)


@routes.route(f"/<{NUMBER}:number>/revoke")
class PersonRevoked(Resource):
    """The end of somebody's token."""

    who = {"POST": ()}

    @routes.response(201, PersonSchema)
    def post(self, number: int) -> Any:
        """Revoke the token of a person or a program.

        The token and its sessions end at once and for good. 404 for an unknown number, 409 when it was revoked before or is the last valid
        token of an administrator.
        """
        return access.revoke_person(number, person().name)
