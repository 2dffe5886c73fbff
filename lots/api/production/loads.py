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

    spool_code = Text(60, required=True, metadata={"label": "Spool code", "description": "spool code as on its label"})
    machine = Code(60, required=True, metadata={"label": "Machine"})
    job = Code(120, required=True, metadata={"label": "Job"})
    use = Text(
        20,
        one_of=(*USES, GENERAL),
        required=True,
        metadata={"label": "Use", "description": "use of the material in the job"},
    )
    loaded_at = Instant(metadata={"description": "time of loading; now by default"})
    mass_g = StrictFloat(
        above=0,
        high=60_000,
        metadata={"label": "Filament needed, g", "description": "filament mass needed by the job, g"},
    )
    match_max = StrictFloat(
        0,
        100,
        metadata={"description": "colour difference limit between lots for this job, instead of that of the grade"},
    )
    confirm_new_job = StrictBoolean(
        load_default=False,
        metadata={"description": "true if the job name resembles a known one but is a different job"},
    )
    confirm_new_machine = StrictBoolean(
        load_default=False,
        metadata={"description": "true if the machine name resembles a known one but is a different machine"},
    )


class UnloadArgs(Strict):
    """The mass left on an unloaded spool."""

    example = {"remaining_mass_g": 640}

    remaining_mass_g = StrictFloat(
        0, 60_000, required=True, metadata={"label": "Mass left, g", "description": "filament mass without the reel, g"}
    )
    unloaded_at = Instant(metadata={"description": "time of unloading; now by default"})


class LoadSchema(Schema):
    """A spool on a machine for a job."""

    id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    machine = fields.String(required=True, metadata={"description": "name of the machine as first entered"})
    job = fields.String(required=True, metadata={"description": "name of the job as first entered"})
    use = fields.String(required=True)
    loaded_at = Instant(required=True, metadata={"description": "time of loading, as stated"})
    unloaded_at = Instant(required=True, allow_none=True)
    still_loaded = fields.Boolean(required=True, metadata={"description": "true if not yet unloaded"})
    mass_before_g = fields.Float(required=True, metadata={"description": "filament mass at loading, g"})
    remaining_mass_g = fields.Float(
        required=True, allow_none=True, metadata={"description": "filament mass at unloading, g; null while loaded"}
    )
    mass_used_g = fields.Float(
        required=True, allow_none=True, metadata={"description": "mass_before_g minus remaining_mass_g, g"}
    )
    concession_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "concession for the load; null without one"}
    )
    reserved_g = fields.Float(
        required=True, allow_none=True, metadata={"description": "filament mass reserved under the concession, g"}
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    unload_recorded_at = Instant(required=True, allow_none=True)
    unload_recorded_by = fields.String(required=True, allow_none=True)


class LoadedSchema(LoadSchema):
    """A load, with its cautions and settings."""

    cautions = fields.List(fields.String(), required=True, metadata={"description": "cautions for the load"})
    settings = fields.Nested(SettingsSchema, required=True)
    concession = fields.Nested(ConcessionUsedSchema, required=True, allow_none=True)
    permission = fields.Nested(GradePermissionSchema, required=True, allow_none=True)


class LoadFilterArgs(PageArgs):
    """Filters for loads."""

    open = WrittenTruth(metadata={"description": "true for open loads, false for ended ones"})
    spool_code = Text(60, metadata={"description": "code of the spool"})
    machine = Text(60, metadata={"description": "name of the machine"})
    job = Text(120, metadata={"description": "name of the job"})


class RefusalSchema(Schema):
    """A refused load, with its reasons."""

    id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    lot_id = fields.Integer(required=True)
    machine = fields.String(required=True)
    job = fields.String(required=True)
    use = fields.String(required=True)
    reasons = fields.List(fields.String(), required=True, metadata={"description": "all reasons against the load"})
    refused_at = Instant(required=True)
    asked_by = fields.String(required=True)


@routes.route("/loads")
class Loads(Resource):
    """All loads."""

    who = {"GET": (*FLOOR, "purchasing"), "POST": FLOOR}

    @routes.arguments(LoadFilterArgs, location="query")
    @routes.response(200, page_schema(LoadSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List loads.

        They are in the order they were recorded. Masses are in g. Filters can be combined.
        """
        return page_answer(loads.listed(*page_args(args)))

    @routes.arguments(LoadArgs)
    @routes.response(201, LoadedSchema)
    def post(self, args: loads.LoadSent) -> Any:
        """Load a spool.

        409 with all reasons if the spool is not clear. The refusal is recorded. 409 if the job or machine is new and
        resembles a known one. `candidates` names the known ones. 404 for an unknown spool.
        """
        answer, loaded = loads.load(args, person().name)
        return answer if loaded else _not_clear(answer)


def _not_clear(answer: dict[str, Any]) -> Response:
    shown = {name: answer[name] for name in ("spool_code", "use", "standing", "lots", "reasons", "cautions")}
    return problem(409, "not-clear", "Spool not cleared", answer["says"], **shown)


@routes.route(f"/loads/<{NUMBER}:number>/unload")
class Unload(Resource):
    """The end of a load."""

    who = {"POST": FLOOR}

    @routes.arguments(UnloadArgs)
    @routes.response(201, LoadSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Unload a spool.

        State the mass left on it, in g. 409 if the spool is already unloaded. 422 for more mass than the spool held.
        """
        return loads.unload(number, args["remaining_mass_g"], args.get("unloaded_at"), person().name)


@routes.route("/load-refusals")
class LoadRefusals(Resource):
    """Refused loads."""

    who = {"GET": FLOOR_AND_QUALITY}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RefusalSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List refused loads.

        Each has its reasons. They are in the order they were recorded.
        """
        return page_answer(loads.refusals(args.get("cursor"), args["limit"]))
