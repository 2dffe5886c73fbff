"""The owner of a token."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.services.readings import voids

routes = Routes("me", __name__, url_prefix="/v1/me", description="Name and role of the token.")


class MeSchema(Schema):
    """The person and role of a token."""

    name = fields.String(required=True)
    role = fields.String(required=True)
    undo_minutes = fields.Integer(
        required=True, metadata={"description": "time in which people can void a reading that they stored, min"}
    )


@routes.route("")
class Me(Resource):
    """The owner of the token."""

    who = {"GET": ALL}

    @routes.response(200, MeSchema)
    def get(self) -> Any:
        """Show your name and role.

        They belong to the token of the request.
        """
        return {"name": person().name, "role": person().role, "undo_minutes": voids.UNDO_MINUTES}
