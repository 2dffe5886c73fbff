"""Loads of spools on machines, and refused loads."""

from __future__ import annotations

from typing import Any

from flask import Response
from marshmallow import Schema, fields

from lots.api.http.errors import problem
from lots.api.http.fields import (
    NUMBER,
    Code,
    Instant,
    Strict,
    StrictBoolean,
    StrictFloat,
    Text,
    WrittenTruth,
)
from lots.api.http.roles import FLOOR, FLOOR_AND_QUALITY
from lots.api.http.routes import (
    PageArgs,
    Resource,
    page_answer,
    page_args,
    page_schema,
    person,
)
from lots.api.production.clearance import ConcessionUsedSchema, SettingsSchema
from lots.api.production.clearance import routes as routes  # served by the application
from lots.api.setup.grades import GradePermissionSchema
from lots.domain.assessment.limits_revision import GENERAL, USES
from lots.services.production import loads


class LoadArgs(Strict):
    """A spool to put on a machine."""

    example = {"spool_code": "A-1", "machine": "P1", "job": "J-104", "use": "hidden"}

    spool_code = Text(60, required=True, metadata={"label": "Spool code", "description": "as on its label"})
    machine = Code(60, required=True, metadata={"label": "Machine"})
    job = Code(120, required=True, metadata={"label": "Job"})
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        required=True,
        metadata={"label": "Use", "description": "what the job asks of the material"},
    )
    loaded_at = Instant(metadata={"description": "now when left out; may lie in the past"})
    mass_g = StrictFloat(
        above=0, high=60_000, metadata={"label": "Filament needed, g", "description": "what the job needs, g"}
    )
    match_max = StrictFloat(
        0, 100, metadata={"description": "the job's own limit on colour between lots, over the grade's"}
    )
    confirm_new_job = StrictBoolean(
        load_default=False, metadata={"description": "true when a job that looks like a known one is another job"}
    )
    confirm_new_machine = StrictBoolean(
        load_default=False,
        metadata={"description": "true when a machine that looks like a known one is another machine"},
    )


class UnloadArgs(Strict):
    """What is left on a spool that came off its machine."""

    example = {"remaining_mass_g": 640}

    remaining_mass_g = StrictFloat(
        0, 60_000, required=True, metadata={"label": "Mass left, g", "description": "filament without the reel, g"}
    )
    unloaded_at = Instant(metadata={"description": "now when left out"})


class LoadSchema(Schema):
    """A spool on a machine for a job."""

    id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    machine = fields.String(required=True, metadata={"description": "its name as it was first typed"})
    job = fields.String(required=True, metadata={"description": "its number as it was first typed"})
    use = fields.String(required=True)
    loaded_at = Instant(required=True, metadata={"description": "as stated"})
    unloaded_at = Instant(required=True, allow_none=True)
    still_loaded = fields.Boolean(required=True, metadata={"description": "true until it is unloaded"})
    mass_before_g = fields.Float(required=True, metadata={"description": "filament when it was loaded, g"})
    remaining_mass_g = fields.Float(
        required=True, allow_none=True, metadata={"description": "filament when it was unloaded, g"}
    )
    mass_used_g = fields.Float(
        required=True, allow_none=True, metadata={"description": "mass_before_g less remaining_mass_g, g"}
    )
    concession_id = fields.Integer(required=True, allow_none=True, metadata={"description": "that the load rests on"})
    reserved_g = fields.Float(required=True, allow_none=True, metadata={"description": "set aside of the concession"})
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    unload_recorded_at = Instant(required=True, allow_none=True)
    unload_recorded_by = fields.String(required=True, allow_none=True)


class LoadedSchema(LoadSchema):
    """A load, with the cautions and settings that go with it."""

    cautions = fields.List(fields.String(), required=True, metadata={"description": "what to mind though it was clear"})
    settings = fields.Nested(SettingsSchema, required=True)
    concession = fields.Nested(ConcessionUsedSchema, required=True, allow_none=True)
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)


class LoadFilterArgs(PageArgs):
    """Which loads."""

    open = WrittenTruth(metadata={"description": "true: still loaded; false: ended"})
    spool_code = Text(60)
    machine = Text(60)
    job = Text(120)


class RefusalSchema(Schema):
    """A load that was refused, with the reasons given."""

    id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    machine = fields.String(required=True)
    job = fields.String(required=True)
    use = fields.String(required=True)
    reasons = fields.List(fields.String(), required=True, metadata={"description": "every reason why not"})
    refused_at = Instant(required=True)
    asked_by = fields.String(required=True)


@routes.route("/loads")
class Loads(Resource):
    """All loads."""

    who = {"GET": (*FLOOR, "purchasing"), "POST": FLOOR}

    @routes.arguments(LoadFilterArgs, location="query")
    @routes.response(200, page_schema(LoadSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List loads in the order they were recorded.

        Masses are in g. The filters combine.
        """
        return page_answer(loads.listed(*page_args(args)))

    @routes.arguments(LoadArgs)
    @routes.response(201, LoadedSchema)
    def post(self, args: loads.LoadSent) -> Any:
        """Put a spool on a machine.

        409 with every reason when the spool is not clear. This refusal is kept on record. 409 too when the job or the machine is new and may be a
        known one misread. `candidates` names the known ones. 404 for an unknown spool.
        """
        answer, loaded = loads.load(args, person().name)
        return answer if loaded else _not_clear(answer)


def _not_clear(answer: dict[str, Any]) -> Response:
    shown = {name: answer[name] for name in ("spool_code", "use", "standing", "lots", "reasons", "cautions")}
    return problem(409, "not-clear", "This spool is not clear to load", answer["says"], **shown)


@routes.route(f"/loads/<{NUMBER}:number>/unload")
class Unload(Resource):
    """The end of a load."""

    who = {"POST": FLOOR}

    @routes.arguments(UnloadArgs)
    @routes.response(201, LoadSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Take a spool off its machine and state the mass left on it, in g.

        409 when the spool has come off already. 422 for more mass than the spool held.
        """
        return loads.unload(number, args["remaining_mass_g"], args.get("unloaded_at"), person().name)


@routes.route("/load-refusals")
class LoadRefusals(Resource):
    """Loads that were refused."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RefusalSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List refused loads with their reasons.

        Refusals are in the order they were recorded.
        """
        return page_answer(loads.refusals(args.get("cursor"), args["limit"]))
