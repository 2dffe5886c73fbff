"""People and programs with a token, and their roles. For administrators."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Code, Instant, Strict, StrictInteger, Text, answered
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.services.setup import access
from lots.services.setup.roles import ROLES

routes = Routes("people", __name__, url_prefix="/v1/people", description="People and programs with a token.")


class RenewArgs(Strict):
    """The validity of a new token."""

    example = {"days": 365}

    days = StrictInteger(
        1,
        access.MOST_DAYS,
        load_default=access.DAYS,
        metadata={"label": "Token valid for, days", "description": "validity of the token, days"},
    )


class PersonArgs(RenewArgs):
    """A new person, or a program."""

    example = {"name": "Perpetua", "role": "receiving", "days": 365}

    name = Code(
        120,
        required=True,
        metadata={"label": "Name", "description": "unique name, shown with all actions of the person"},
    )
    role = Text(
        20, required=True, one_of=ROLES, metadata={"label": "Role", "description": "role of the person; cannot change"}
    )


class PersonSchema(Schema):
    """A person or program that has or had a token."""

    id = fields.Integer(required=True)
    name, role = answered(PersonArgs, "name", "role")
    created_at = Instant(required=True, metadata={"description": "time at which the token was made or renewed"})
    expires_at = Instant(required=True, allow_none=True)
    last_used_at = Instant(
        required=True,
        allow_none=True,
        metadata={"description": "time of the last request, updated once a minute; null if unused"},
    )
    revoked_at = Instant(required=True, allow_none=True)


class PersonWithTokenSchema(PersonSchema):
    """A person with a new token."""

    token = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "token, shown only once; null in a repeat with the same Idempotency-Key"},
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
        """List people and programs.

        Each has its role. Those with a revoked token are included. They are in the order they were added.
        """
        return page_answer(access.people(args.get("cursor"), args["limit"]))

    @routes.arguments(PersonArgs)
    @routes.response(201, PersonWithTokenSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a person or program.

        The answer contains the token, which is shown only once. 409 if the name is in use. `existing_id` then names its
        owner.
        """
        made = access.add_person(args["name"], args["role"], args["days"], person().name)
        return made, self.location(made)


@routes.route(f"/<{NUMBER}:number>")
class OnePerson(Resource):
    """One person or program."""

    who = {"GET": ()}

    @routes.response(200, PersonSchema)
    def get(self, number: int) -> Any:
        """Show a person or program.

        The token is not shown. 404 for an unknown person.
        """
        return access.person_numbered(number)


@routes.route(f"/<{NUMBER}:number>/renew")
class PersonRenewed(Resource):
    """The renewal of a token."""

    who = {"POST": ()}
    shown_once = frozenset({"token"})

    @routes.arguments(RenewArgs)
    @routes.response(201, PersonWithTokenSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Replace a token.

        The old token and its sessions end immediately. The answer contains the new token, which is shown only once. 404
        for an unknown person, 409 if the token is revoked.
        """
        return access.renew_person(number, args["days"], person().name)


@routes.route(f"/<{NUMBER}:number>/revoke")
class PersonRevoked(Resource):
    """The revocation of a token."""

    who = {"POST": ()}

    @routes.response(201, PersonSchema)
    def post(self, number: int) -> Any:
        """Revoke a token.

        The token and its sessions end immediately and permanently. 404 for an unknown person. 409 if the token is
        already revoked, or is the last valid token of an administrator.
        """
        return access.revoke_person(number, person().name)
