"""References that age: working copies of masters, sessions in which they are measured again, and what is due."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, validate

from lots.api.http.fields import MAX_ID, NUMBER, Code, Instant, Numbers, Strict, StrictInteger, Text
from lots.api.http.routes import PageArgs, Resource, Routes, page_answer, page_schema, person
from lots.api.readings.readings import WarningSchema
from lots.api.setup.shades import DAYS, LAB, ConditionsArgs, ConditionsSchema, InDoubtSchema
from lots.domain.instruments.reference_sessions import MATTERS
from lots.services.instruments import due, references

routes = Routes("references", __name__, url_prefix="/v1", description="Masters and working copies, which age.")


def _readings(what: str) -> fields.List[Any]:
    """One to fifty colours."""
    length = validate.Length(1, 50, error="Give 1 to 50 readings.")
    return fields.List(Numbers(3, LAB), required=True, validate=length, metadata={"description": what})


def _conditions() -> fields.Nested:
    return fields.Nested(ConditionsArgs, required=True, error_messages={"required": "This is needed."})


class WorkingCopyArgs(Strict):
    """A plaque that is to stand in for the master; both read on one instrument, in one session."""

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
    master = _readings("of the master")
    copy = _readings("of the copy")
    conditions = _conditions()
    instrument_id = StrictInteger(1, MAX_ID)
    measured_at = Instant(required=True)
    remeasure_every_days = StrictInteger(1, DAYS)
    note = Text(2000, lines=True)


class WorkingCopySchema(Schema):
    """A working copy. `offset` is copy less master in L*, a*, b*; its uncertainty is null where either was read once."""

    id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "of the shade: the master it was read beside"})
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
        metadata={"description": "false once it moved, or a newer one of its code, or a newer revision, is there"},
    )
    moved = fields.Boolean(
        required=True, metadata={"description": "found to have moved since it was made; it stays so"}
    )
    due_at = Instant(required=True, allow_none=True)
    says = fields.String(required=True)
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class MadeCopySchema(WorkingCopySchema):
    """A working copy as it was added."""

    warnings = fields.List(fields.Nested(WarningSchema), required=True)


class PlaqueReadArgs(Strict):
    """What was read of one plaque, placed anew for each reading. The code names a copy or a tile; a master has none."""

    artefact = Text(6, one_of=("master", "copy", "tile"), required=True)
    code = Text(60)
    readings = _readings("L*, a*, b*")


class RemeasurementArgs(Strict):
    """A session: the instrument's tile, and the master, working copies or both, read one after the other."""

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
        validate=validate.Length(1, 50, error="Give what was read of 1 to 50 plaques."),
        metadata={"description": "one tile and at least one plaque"},
    )
    note = Text(2000, lines=True)


class PlaqueReadSchema(Schema):
    """What was read of one plaque."""

    artefact = fields.String(required=True)
    code = fields.String(required=True, allow_none=True)
    readings = fields.List(fields.List(fields.Float()), required=True)


class MovementSchema(Schema):
    """How far something moved in L*, a*, b* since the session it is compared with; of a plaque, beside the tile. `half_width` is of each interval."""

    state = fields.String(
        required=True,
        metadata={
            "enum": ["moved", "still", "open"],
            "description": f"still: surely by less than {MATTERS:g} in each; moved: surely otherwise in one; open: neither",
        },
    )
    change = fields.List(fields.Float(), required=True, metadata={"description": "now less then, in L*, a*, b*"})
    half_width = fields.List(
        fields.Float(),
        required=True,
        allow_none=True,
        metadata={"description": "of the 95 % interval of each change; null where nothing tells the scatter of one"},
    )


class ToldSchema(Schema):
    """What a session tells of a plaque, against the first that read it alike."""

    artefact = fields.String(required=True)
    code = fields.String(required=True, allow_none=True)
    compared_with = fields.Integer(required=True, allow_none=True, metadata={"description": "number of that session"})
    mover = fields.String(
        required=True,
        metadata={
            "enum": ["instrument", "plaque", "both", "neither", "cannot tell"],
            "description": "what moved, by tile and plaque together; only plaque and both put the plaque in doubt",
        },
    )
    plaque = fields.Nested(
        MovementSchema,
        required=True,
        allow_none=True,
        metadata={"description": "of the plaque beside the tile; null where there is no session to compare with"},
    )
    instrument = fields.Nested(
        MovementSchema, required=True, allow_none=True, metadata={"description": "of the tile, taken as stable"}
    )
    says = fields.String(required=True)


class RemeasurementVoidedSchema(Schema):
    """Why a session does not count."""

    reason = fields.String(required=True)
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)


class RemeasurementSchema(Schema):
    """A session with what was read, and what that tells of each plaque; one that was voided tells nothing."""

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
    """A decision that was made since a reference last agreed. It stands as it is."""

    id = fields.Integer(required=True)
    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    action = fields.String(required=True)
    standing = fields.String(required=True)
    decided_at = Instant(required=True)


class DoubtedSchema(InDoubtSchema):
    """The same, with the decisions made since it last agreed."""

    decisions = fields.List(
        fields.Nested(DecisionInDoubtSchema),
        required=True,
        metadata={"description": "on colour, made from `since` until `until`; each stands as it is"},
    )


class RemeasuredSchema(RemeasurementSchema):
    """A session, with the plaques that it found to have moved, or to read as before again."""

    in_doubt = fields.List(fields.Nested(DoubtedSchema), required=True)
    warnings = fields.List(fields.Nested(WarningSchema), required=True)
    says = fields.String(required=True)


class RemeasurementVoidArgs(Strict):
    """Why a session does not count."""

    example = {"reason": "The tile was dusty."}

    reason = Text(2000, lines=True, required=True, metadata={"label": "Reason"})


class DueItemSchema(Schema):
    """Something that is to be checked or measured again; an instrument by its number, a plaque by its shade's."""

    what = fields.String(
        required=True,
        metadata={"enum": ["instrument", "master", "working_copy"], "description": "what is to be checked or measured"},
    )
    instrument_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "null unless it is an instrument"}
    )
    shade_id = fields.Integer(required=True, allow_none=True, metadata={"description": "of a master or working copy"})
    code = fields.String(
        required=True, metadata={"description": "of the instrument, the master's shade, or the working copy"}
    )
    due_at = Instant(required=True, metadata={"description": "of what moved: when that was found"})
    overdue = fields.Boolean(required=True, metadata={"description": "true once `due_at` has passed"})
    why = fields.String(
        required=True,
        metadata={
            "enum": ["check", "interval", "moved"],
            "description": "a check runs out, the days between two measurements run out, or it was found to have moved",
        },
    )
    says = fields.String(required=True, metadata={"description": "the same in a sentence, with what to do"})


class DueSchema(Schema):
    """What is due, the most urgent first."""

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
        """List a shade's working copies, replaced ones included.

        Each has its offset to the master in CIELAB. 404 for an unknown shade.
        """
        return page_answer(references.copies(number, args.get("cursor"), args["limit"]))

    @routes.arguments(WorkingCopyArgs)
    @routes.response(201, MadeCopySchema)
    def post(self, args: references.PostedCopy, number: int) -> Any:
        """Add a working copy of the newest revision, and answer its offset to the master.

        A newer copy with the same code replaces the older one. 409 without a revision. 422 under other conditions than the revision's.
        """
        return references.add_copy(number, args, person().name)


@routes.route(f"/shades/<{NUMBER}:number>/remeasurements")
class Remeasurements(Resource):
    """Sessions in which a shade's plaques were measured again."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RemeasurementSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List a shade's remeasurement sessions with their results, voided ones included.

        404 for an unknown shade.
        """
        return page_answer(references.sessions(number, args.get("cursor"), args["limit"]))

    @routes.arguments(RemeasurementArgs)
    @routes.response(201, RemeasuredSchema)
    def post(self, args: references.PostedSession, number: int) -> Any:
        """Store a remeasurement session, and answer whether each plaque moved, or the instrument.

        `in_doubt` lists a plaque that moved with the decisions made since it last agreed. The shade says so until a new revision is approved. No
        decision is changed. Lots are judged again when somebody asks. 409 without a revision. 422 under other conditions than the revision's.
        """
        return references.remeasure(number, args, person().name)


@routes.route(f"/remeasurements/<{NUMBER}:number>/void")
class RemeasurementVoid(Resource):
    """Voiding a session."""

    who = {"POST": ("quality",)}

    @routes.arguments(RemeasurementVoidArgs)
    @routes.response(201, RemeasuredSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Void a remeasurement session.

        It stays visible. 409 when it is void already.
        """
        return references.void_session(number, args["reason"], person().name)


@routes.route("/due")
class Due(Resource):
    """What is due."""

    who = {"GET": ("quality",)}

    @routes.response(200, DueSchema)
    def get(self) -> Any:
        """List instruments, masters and working copies by the day of their next check or remeasurement.

        What is overdue comes first.
        """
        return due.due()
