"""Jobs, machines with their slots, and easily confused codes."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, Strict, StrictInteger, VersionedSchema, answered
from lots.api.http.roles import FLOOR, FLOOR_AND_QUALITY
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.services.setup import catalog, names

routes = Routes(
    "names", __name__, url_prefix="/v1", description="Jobs and machines, created by the first load that names them."
)
# Far above the number of slots of any spool changer. Common practice, no source.
_MOST_SLOTS = 100


class JobLineSchema(Schema):
    """A job."""

    id = fields.Integer(required=True)
    number = fields.String(required=True, metadata={"description": "name as first entered"})
    recorded_at = Instant(required=True, metadata={"description": "time at which its first load was recorded"})
    recorded_by = fields.String(required=True)


class MachineChange(Strict):
    """The fields of a machine that can change."""

    example = {"slots": 4}

    slots = StrictInteger(
        1, _MOST_SLOTS, metadata={"label": "Slots", "description": "number of spools that it holds at once"}
    )


class MachineSchema(VersionedSchema):
    """A machine."""

    name = fields.String(required=True, metadata={"description": "name as first entered"})
    (slots,) = answered(MachineChange, null=False)
    recorded_at = Instant(required=True, metadata={"description": "time at which its first load was recorded"})


class SpoolInDoubtSchema(Schema):
    """A spool code that differs from another only in spelling."""

    code = fields.String(required=True)
    same_as = fields.List(
        fields.String(), required=True, metadata={"description": "codes that it may be confused with"}
    )
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)


class LotInDoubtSchema(Schema):
    """A lot number that differs only in spelling from another of the same supplier and grade."""

    id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    same_as = fields.List(
        fields.String(), required=True, metadata={"description": "lot numbers that it may be confused with"}
    )
    supplier_code = fields.String(required=True)
    grade_code = fields.String(required=True)


class CodesInDoubtSchema(Schema):
    """Existing codes that differ only in spelling. New ones are refused."""

    spools = fields.List(fields.Nested(SpoolInDoubtSchema), required=True)
    lots = fields.List(fields.Nested(LotInDoubtSchema), required=True)


@routes.route("/jobs")
class Jobs(Resource):
    """All jobs."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(JobLineSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List jobs.

        They are in the order of their first loads. The first load that names a job creates it.
        """
        return page_answer(names.jobs(args.get("cursor"), args["limit"]))


@routes.route("/machines")
class Machines(Resource):
    """All machines."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(MachineSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List machines.

        They are in the order of their first loads. The first load that names a machine creates it. `slots` is the
        number of spools that the machine holds at once.
        """
        return page_answer(names.machines(args.get("cursor"), args["limit"]))


@routes.route(f"/machines/<{NUMBER}:number>")
class OneMachine(Resource):
    """One machine."""

    who = {"GET": FLOOR_AND_QUALITY, "PATCH": FLOOR}

    @routes.response(200, MachineSchema)
    def get(self, number: int) -> Any:
        """Show a machine.

        Use the ETag to change it. 404 for an unknown machine.
        """
        found = catalog.get("machine", number)
        return found, etag("machine", found)

    @routes.arguments(MachineChange)
    @routes.response(200, MachineSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change a machine.

        Only the number of slots can change. Needs If-Match. 428 without If-Match, 412 if the machine has changed.
        """
        version = version_to_change("machine", catalog.get("machine", number))
        changed = catalog.change("machine", number, version, args, person().name)
        return changed, etag("machine", changed)


@routes.route("/codes-in-doubt")
class CodesInDoubt(Resource):
    """Easily confused codes."""

    who = {"GET": ("quality",)}

    @routes.response(200, CodesInDoubtSchema)
    def get(self) -> Any:
        """List easily confused codes.

        They are spool codes and lot numbers that differ only in spelling. The first 500 are listed.
        """
        return names.codes_in_doubt()
