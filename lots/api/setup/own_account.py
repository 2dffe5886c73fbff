"""Who a token belongs to."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.roles import ALL
from lots.api.http.routes import Resource, Routes, person
from lots.services.readings import voids

routes = Routes("me", __name__, url_prefix="/v1/me", description="Who you are here.")


class MeSchema(Schema):
    """The person and role of a token."""

    name = fields.String(required=True)
    role = fields.String(required=True)
    undo_minutes = fields.Integer(
        required=True, metadata={"description": "for how long the person who stored a reading at the bench can void it"}
    )


@routes.route("")
class Me(Resource):
    """Whoever asks."""

    who = {"GET": ALL}

    @routes.response(200, MeSchema)
    def get(self) -> Any:
        """Show the name and role of this token.

        Every role may read it.
        """
        return {"name": person().name, "role": person().role, "undo_minutes": voids.UNDO_MINUTES}
