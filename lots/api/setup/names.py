"""Jobs, machines with their slots, and codes that cannot be told apart."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, Strict, StrictInteger, VersionedSchema, answered
from lots.api.http.roles import FLOOR, FLOOR_AND_QUALITY
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.services.setup import catalog, names

routes = Routes(
    "names", __name__, url_prefix="/v1", description="Jobs and machines, made by the first load that names them."
)
# The largest machine that changes spools by itself has far fewer. Common practice, no source.
_MOST_SLOTS = 100


class JobLineSchema(Schema):
    """A job."""

    id = fields.Integer(required=True)
    number = fields.String(required=True, metadata={"description": "as it was first typed"})
    recorded_at = Instant(required=True, metadata={"description": "when its first load was recorded"})
    recorded_by = fields.String(required=True)


class MachineChange(Strict):
    """What may change about a machine. The name stays."""

    example = {"slots": 4}

    slots = StrictInteger(
        1, _MOST_SLOTS, metadata={"label": "Slots", "description": "how many spools it holds at once"}
    )


class MachineSchema(VersionedSchema):
    """A machine."""

    name = fields.String(required=True, metadata={"description": "as it was first typed"})
    (slots,) = answered(MachineChange, null=False)
    recorded_at = Instant(required=True, metadata={"description": "when its first load was recorded"})


class SpoolInDoubtSchema(Schema):
    """A spool code that is another spool's, written otherwise."""

    code = fields.String(required=True)
    same_as = fields.List(fields.String(), required=True, metadata={"description": "the codes it is taken for"})
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class LotInDoubtSchema(Schema):
    """A lot number that is another lot's of the same supplier and grade, written otherwise."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    same_as = fields.List(fields.String(), required=True, metadata={"description": "the numbers it is taken for"})
    supplier_code = fields.String(required=True)
    grade_code = fields.String(required=True)


class CodesInDoubtSchema(Schema):
    """Codes of an older shop that are one code written in several ways. New ones are refused."""

    spools = fields.List(fields.Nested(SpoolInDoubtSchema), required=True)
    lots = fields.List(fields.Nested(LotInDoubtSchema), required=True)


@routes.route("/jobs")
class Jobs(Resource):
    """All jobs."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(JobLineSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List jobs in the order of their first loads.

        A job comes into being by the first load that names it.
        """
        return page_answer(names.jobs(args.get("cursor"), args["limit"]))


@routes.route("/machines")
class Machines(Resource):
    """All machines."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(MachineSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List machines with their slots, in the order of their first loads.

        A machine comes into being by the first load that names it. Its slots are the number of spools that it holds at a time.
        """
        return page_answer(names.machines(args.get("cursor"), args["limit"]))


@routes.route(f"/machines/<{NUMBER}:number>")
class OneMachine(Resource):
    """One machine."""

    who = {"GET": FLOOR_AND_QUALITY, "PATCH": FLOOR}

    @routes.response(200, MachineSchema)
    def get(self, number: int) -> Any:
        """Show a machine.

        The ETag is the version that a change needs. 404 for an unknown number.
        """
        found = catalog.get("machine", number)
        return found, etag("machine", found)

    @routes.arguments(MachineChange)
    @routes.response(200, MachineSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change how many spools a machine holds.

        Needs If-Match. 428 without it, 412 when the machine has changed since.
        """
        version = version_to_change("machine", catalog.get("machine", number))
        changed = catalog.change("machine", number, version, args, person().name)
        return changed, etag("machine", changed)


@routes.route("/codes-in-doubt")
class CodesInDoubt(Resource):
    """Codes that cannot be told apart."""

    who = {"GET": ("quality",)}

    @routes.response(200, CodesInDoubtSchema)
    def get(self) -> Any:
        """List spool codes and lot numbers that differ from another only in their writing.

        Lists the first 500. Such codes are easily misread for each other.
        """
        return names.codes_in_doubt()
