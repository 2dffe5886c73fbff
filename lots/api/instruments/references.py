"""Working copies of masters, remeasurement sessions, and due checks."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import MAX_ID, NUMBER, Code, Instant, Numbers, Strict, StrictInteger, Text
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.readings.readings import WarningSchema
from lots.api.setup.shades import DAYS, LAB, ConditionsArgs, ConditionsSchema, InDoubtSchema
from lots.domain.instruments.reference_sessions import MATTERS
from lots.services.instruments import due, references

routes = Routes(
    "references", __name__, url_prefix="/v1", description="Working copies, remeasurements and due dates of references."
)


def _readings(what: str) -> fields.List[Any]:
    """Returns a field for one to fifty colours."""
    length = validate.Length(1, 50, error="Give 1 to 50 readings.")
    return fields.List(Numbers(3, LAB), required=True, validate=length, metadata={"description": what})


def _conditions() -> fields.Nested:
    return fields.Nested(ConditionsArgs, required=True, error_messages={"required": "This is required."})


class WorkingCopyArgs(Strict):
    """A working copy of the master, both measured on one instrument in one session."""

    example = {
        "code": "W1",
        "master": [[95.0, -0.8, 1.5]],
        "copy": [[95.0, -0.8, 1.7]],
        "conditions": ConditionsArgs.example,
        "instrument_id": 1,
        "measured_at": "2026-11-25T14:00:00+01:00",
        "remeasure_every_days": 90,
    }

    code = Code(60, required=True, metadata={"example": "HW-W1"})
    master = _readings("readings of the master, L*, a*, b*")
    copy = _readings("readings of the copy, L*, a*, b*")
    conditions = _conditions()
    instrument_id = StrictInteger(1, MAX_ID)
    measured_at = Instant(required=True)
    remeasure_every_days = StrictInteger(1, DAYS)
    note = Text(2000, lines=True)


class WorkingCopySchema(Schema):
    """A working copy. `offset` is copy minus master in L*, a*, b*. Its uncertainty is null if either has a single reading."""

    id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "shade revision of the master"})
    code = fields.String(required=True)
    master = fields.List(fields.List(fields.Float()), required=True)
    copy = fields.List(fields.List(fields.Float()), required=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    instrument_id = fields.Integer(required=True, allow_none=True)
    measured_at = Instant(required=True)
    remeasure_every_days = fields.Integer(required=True, allow_none=True)
    offset = fields.List(fields.Float(), required=True)
    offset_uncertainty = fields.List(fields.Float(), required=True, allow_none=True)
    in_use = fields.Boolean(
        required=True,
        metadata={"description": "false after a colour change, a newer copy with its code or a newer revision"},
    )
    moved = fields.Boolean(required=True, metadata={"description": "true if a colour change was found; permanent"})
    due_at = Instant(required=True, allow_none=True)
    says = fields.String(required=True)
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class MadeCopySchema(WorkingCopySchema):
    """A new working copy."""

    warnings = fields.List(fields.Nested(WarningSchema), required=True)


class PlaqueReadArgs(Strict):
    """The readings of one plaque, repositioned for each. `code` names a copy or a tile, and is absent for a master."""

    artefact = Text(6, one_of=("master", "copy", "tile"), required=True)
    code = Text(60)
    readings = _readings("readings, L*, a*, b*")


class RemeasurementArgs(Strict):
    """A remeasurement session: the tile of the instrument, and the master, working copies or both."""

    example = {
        "measured_at": "2026-11-25T14:00:00+01:00",
        "instrument_id": 1,
        "conditions": ConditionsArgs.example,
        "read": [
            {"artefact": "tile", "code": "T-1", "readings": [[97.0, 0.0, 0.4]]},
            {"artefact": "master", "readings": [[95.0, -0.8, 1.5]]},
        ],
    }

    measured_at = Instant(required=True)
    instrument_id = StrictInteger(1, MAX_ID, required=True)
    conditions = _conditions()
    read = fields.List(
        fields.Nested(PlaqueReadArgs),
        required=True,
        validate=validate.Length(1, 50, error="Give readings of 1 to 50 plaques."),
        metadata={"description": "readings of one tile and at least one plaque"},
    )
    note = Text(2000, lines=True)


class PlaqueReadSchema(Schema):
    """The readings of one plaque."""

    artefact = fields.String(required=True)
    code = fields.String(required=True, allow_none=True)
    readings = fields.List(fields.List(fields.Float()), required=True)


class MovementSchema(Schema):
    """A change in L*, a*, b* since the compared session. That of a plaque is relative to the tile."""

    state = fields.String(
        required=True,
        metadata={
            "enum": ["moved", "still", "open"],
            "description": f"still: changes proved below {MATTERS:g}; moved: one change proved above; open: neither proved",
        },
    )
    change = fields.List(
        fields.Float(), required=True, metadata={"description": "change since that session, in L*, a*, b*"}
    )
    half_width = fields.List(
        fields.Float(),
        required=True,
        allow_none=True,
        metadata={"description": "half width of the 95 % interval of each change; null if the spread is unknown"},
    )


class ToldSchema(Schema):
    """The result for a plaque, compared with the first comparable session."""

    artefact = fields.String(required=True)
    code = fields.String(required=True, allow_none=True)
    compared_with = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the earlier session; null without one"}
    )
    mover = fields.String(
        required=True,
        metadata={
            "enum": ["instrument", "plaque", "both", "neither", "cannot tell"],
            "description": "result from tile and plaque together; plaque and both make the plaque suspect",
        },
    )
    plaque = fields.Nested(
        MovementSchema,
        required=True,
        allow_none=True,
        metadata={"description": "change of the plaque relative to the tile; null without an earlier session"},
    )
    instrument = fields.Nested(
        MovementSchema,
        required=True,
        allow_none=True,
        metadata={"description": "change of the instrument, measured on the stable tile"},
    )
    says = fields.String(required=True)


class RemeasurementVoidedSchema(Schema):
    """The void of a session."""

    reason = fields.String(required=True)
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)


class RemeasurementSchema(Schema):
    """A session with its readings and results. A voided session has no results."""

    id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True)
    instrument_id = fields.Integer(required=True)
    measured_at = Instant(required=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    read = fields.List(fields.Nested(PlaqueReadSchema), required=True)
    found = fields.List(fields.Nested(ToldSchema), required=True)
    note = fields.String(required=True, allow_none=True)
    voided = fields.Nested(RemeasurementVoidedSchema, required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class DecisionInDoubtSchema(Schema):
    """A decision made since a reference last agreed. It stays unchanged."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    action = fields.String(required=True)
    standing = fields.String(required=True)
    decided_at = Instant(required=True)


class DoubtedSchema(InDoubtSchema):
    """A suspect reference, with the decisions made since it last agreed."""

    decisions = fields.List(
        fields.Nested(DecisionInDoubtSchema),
        required=True,
        metadata={"description": "colour decisions from `since` to `until`; they stay unchanged"},
    )


class RemeasuredSchema(RemeasurementSchema):
    """A session, with the plaques that changed colour or agree again."""

    in_doubt = fields.List(fields.Nested(DoubtedSchema), required=True)
    warnings = fields.List(fields.Nested(WarningSchema), required=True)
    says = fields.String(required=True)


class RemeasurementVoidArgs(Strict):
    """The void of a session."""

    example = {"reason": "The tile was dusty."}

    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason"})


class DueItemSchema(Schema):
    """An item that is due for a check or a remeasurement."""

    what = fields.String(
        required=True,
        metadata={"enum": ["instrument", "master", "working_copy"], "description": "kind of item"},
    )
    instrument_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the instrument; null for other items"}
    )
    shade_id = fields.Integer(
        required=True,
        allow_none=True,
        metadata={"description": "number of the shade of a master or working copy; null for an instrument"},
    )
    code = fields.String(
        required=True, metadata={"description": "code of the instrument, the shade of the master, or the working copy"}
    )
    due_at = Instant(
        required=True, metadata={"description": "due date; for a colour change, the date at which it was found"}
    )
    overdue = fields.Boolean(required=True, metadata={"description": "true if `due_at` has passed"})
    why = fields.String(
        required=True,
        metadata={
            "enum": ["check", "interval", "moved"],
            "description": "reason: check expires, remeasurement interval ends, or colour change found",
        },
    )
    says = fields.String(required=True, metadata={"description": "summary sentence with the next step"})


class DueSchema(Schema):
    """All due items, the most urgent first."""

    as_of = Instant(required=True)
    overdue = fields.Integer(required=True)
    items = fields.List(fields.Nested(DueItemSchema), required=True)
    says = fields.String(required=True)


@routes.route(f"/shades/<{NUMBER}:number>/working-copies")
class WorkingCopies(Resource):
    """Working copies of a shade's master."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(WorkingCopySchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the working copies of a shade.

        Replaced copies are included. Each has its offset from the master in CIELAB. 404 for an unknown shade.
        """
        return page_answer(references.copies(number, args.get("cursor"), args["limit"]))

    @routes.arguments(WorkingCopyArgs)
    @routes.response(201, MadeCopySchema)
    def post(self, args: references.PostedCopy, number: int) -> Any:
        """Add a working copy.

        Answers its offset from the master of the newest revision. A newer copy with the same code replaces the older
        one. 409 without a revision. 422 if the measuring conditions differ from those of the revision.
        """
        return references.add_copy(number, args, person().name)


@routes.route(f"/shades/<{NUMBER}:number>/remeasurements")
class Remeasurements(Resource):
    """Remeasurement sessions of a shade."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RemeasurementSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the remeasurements of a shade.

        Results and voided sessions are included. 404 for an unknown shade.
        """
        return page_answer(references.sessions(number, args.get("cursor"), args["limit"]))

    @routes.arguments(RemeasurementArgs)
    @routes.response(201, RemeasuredSchema)
    def post(self, args: references.PostedSession, number: int) -> Any:
        """Store a remeasurement session.

        Says whether each plaque or the instrument has changed. `in_doubt` lists each changed plaque with the decisions
        made since it last agreed. The shade is flagged until a new revision is approved. Decisions stay unchanged. Lots
        are reassessed only on request. 409 without a revision. 422 if the measuring conditions differ from those of the
        revision.
        """
        return references.remeasure(number, args, person().name)


@routes.route(f"/remeasurements/<{NUMBER}:number>/void")
class RemeasurementVoid(Resource):
    """The void of a session."""

    who = {"POST": ("quality",)}

    @routes.arguments(RemeasurementVoidArgs)
    @routes.response(201, RemeasuredSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Void a remeasurement session.

        The session stays visible. 409 if it is already void.
        """
        return references.void_session(number, args["reason"], person().name)


@routes.route("/due")
class Due(Resource):
    """Due items."""

    who = {"GET": ("quality",)}

    @routes.response(200, DueSchema)
    def get(self) -> Any:
        """List due checks.

        Lists instruments, masters and working copies by the date of the next check or remeasurement. Overdue ones come
        first.
        """
        return due.due()
