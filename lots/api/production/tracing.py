"""Exposure of lots, traces of jobs, and containments."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields

from lots.api.assessment.decisions import DecisionSchema
from lots.api.http.fields import MAX_ID, NUMBER, Instant, Strict, Text, WrittenTruth, WrittenWhole
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_args, page_schema, person
from lots.api.lot_schemas import ExposureSchema
from lots.api.pictures.answers import AS_PICTURE, pictured
from lots.api.pictures.exposure import draw
from lots.api.production.loads import LoadSchema
from lots.api.receiving.lots_and_deliveries import DeliverySchema, LotSchema
from lots.services import exposure
from lots.services.receiving import receiving

routes = Routes("tracing", __name__, url_prefix="/v1", description="Tracing from lots to jobs and from jobs to lots.")
WHO = ("production", "quality")


class LotBehindSchema(Schema):
    """A lot that was certainly or possibly used in a job, with its evidence."""

    lot = fields.Nested(LotSchema, required=True)
    certainty = fields.String(required=True, metadata={"enum": ["certain", "possibly"]})
    gap = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "reason for possible use: unrecorded time, or more spools than slots"},
    )
    deliveries = fields.List(fields.Nested(DeliverySchema), required=True)
    order_refs = fields.List(fields.String(), required=True)
    decision_at_loading = fields.Nested(
        DecisionSchema,
        required=True,
        allow_none=True,
        metadata={"description": "decision in force at loading; null without one"},
    )


class JobSchema(Schema):
    """The trace of a job."""

    job = fields.String(required=True)
    # Schema itself has a method of this name.
    stays = fields.List(fields.Nested(LoadSchema), required=True, data_key="loads", attribute="loads")
    lots = fields.List(fields.Nested(LotBehindSchema), required=True)


class ContainmentFilterArgs(PageArgs):
    """Filters for containments."""

    open = WrittenTruth(metadata={"description": "true for open containments, false for closed ones"})
    lot_id = WrittenWhole(1, MAX_ID, metadata={"description": "number of the lot"})


class ContainmentSchema(Schema):
    """A machine and job that a lot had reached when it was blocked or withdrawn from use."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    load_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    machine = fields.String(required=True)
    job = fields.String(required=True)
    use = fields.String(required=True)
    loaded_at = Instant(required=True)
    unloaded_at = Instant(required=True, allow_none=True)
    still_loaded = fields.Boolean(required=True)
    certainty = fields.String(required=True, metadata={"enum": ["certain", "possibly"]})
    why = fields.String(required=True)
    says = fields.String(required=True, metadata={"description": "instruction"})
    opened_at = Instant(required=True)
    closed_at = Instant(required=True, allow_none=True)
    closed_by = fields.String(required=True, allow_none=True)
    note = fields.String(required=True, allow_none=True)


class CloseArgs(Strict):
    """The action taken for a containment."""

    example = {"note": "The parts were set aside."}

    note = Text(2000, lines=True, required=True, metadata={"label": "Action taken"})


@routes.route(f"/lots/<{NUMBER}:number>/exposure")
class Exposure(Resource):
    """The exposure of a lot."""

    who = {"GET": (*WHO, "purchasing")}

    @routes.response(200, ExposureSchema, rows="items")
    @routes.alt_response(200, **AS_PICTURE)
    def get(self, number: int) -> Any:
        """List where a lot was used.

        Lists every machine and job that the lot has reached. Open loads come first. Jobs in unrecorded gaps are
        `possibly` affected. Also as image/svg+xml. 404 for an unknown lot.
        """
        return pictured({**receiving.exposure(number)}, draw)


@routes.route("/jobs/<path:name>")
class Job(Resource):
    """The trace of a job."""

    who = {"GET": WHO}

    @routes.response(200, JobSchema)
    def get(self, name: str) -> Any:
        """Trace a job to its lots.

        Answers their deliveries, orders, readings, decisions and revisions. 404 for an unknown job, with similar names
        as `candidates`.
        """
        return exposure.job(name)


@routes.route("/containments")
class Containments(Resource):
    """Containments."""

    who = {"GET": WHO}

    @routes.arguments(ContainmentFilterArgs, location="query")
    @routes.response(200, page_schema(ContainmentSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List containments.

        They are in the order they were opened. A containment is a machine and job that a lot had reached when the lot
        was blocked or withdrawn from use. `open=true` lists open containments.
        """
        return page_answer(exposure.containments(*page_args(args)))


@routes.route(f"/containments/<{NUMBER}:number>/close")
class CloseContainment(Resource):
    """The closing of a containment."""

    who = {"POST": WHO}

    @routes.arguments(CloseArgs)
    @routes.response(201, ContainmentSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Close a containment.

        State the action taken. 409 if it is already closed.
        """
        return exposure.close_containment(number, args["note"], person().name)
