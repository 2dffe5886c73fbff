"""Readings of every kind: one object or a list, all or nothing, judged as they are stored."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import request
from marshmallow import Schema, fields

from lots.api.http.fields import NUMBER, Instant, Text
from lots.api.http.roles import ALL
from lots.api.http.routes import (
    LIST,
    OBJECT,
    PageArgs,
    Resource,
    Routes,
    page_answer,
    page_schema,
    person,
)
from lots.api.lot_schemas import LotAfterSchema
from lots.api.readings.measured_fields import answered
from lots.api.readings.reading_args import ARGS
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED
from lots.services.readings import recording
from lots.services.readings.sent import SentReading

routes = Routes("readings", __name__, url_prefix="/v1", description="Measurements on spools and coupons.")


class WarningSchema(Schema):
    """Something that looks like a slip, or why the reading does not help its lot; it was stored as it stands."""

    field = fields.String(required=True, metadata={"description": "of the reading"})
    detail = fields.String(required=True, metadata={"description": "what looks wrong"})
    hint = fields.String(required=True, metadata={"description": "what it may be, or what to do"})
    helps = fields.Boolean(
        metadata={"description": "false where the reading can count against its lot at most; left out for slips"}
    )


class VoidAgreementSchema(Schema):
    """The agreement of quality to a void by the author of a reading."""

    reason = fields.String(required=True)
    at = Instant(required=True)
    by = fields.String(required=True)


class VoidLineSchema(Schema):
    """Why a reading does not count."""

    reason = fields.String(required=True, metadata={"description": "in the words of the person who voided it"})
    replaced_by = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the reading in its place"}
    )
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)
    held = fields.Boolean(
        required=True, metadata={"description": "true: its author voided it, and the lot waits until quality agrees"}
    )
    agreed = fields.Nested(VoidAgreementSchema, required=True, allow_none=True)


class ExclusionLineSchema(Schema):
    """Why a reading that stands apart from its like does not count."""

    cause = fields.String(required=True, metadata={"description": "from the fixed list"})
    reason = fields.String(required=True, metadata={"description": "what was found out, in words"})
    excluded_at = Instant(required=True)
    excluded_by = fields.String(required=True)


class ReadingSchema(Schema):
    """A reading as it was stored. Which of the measured fields are there depends on `kind`."""

    id = fields.Integer(required=True)
    kind = fields.String(required=True, metadata={"enum": list(CHARACTERISTICS)})
    lot_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    instrument_id = fields.Integer(required=True, allow_none=True)
    measured_at = Instant(required=True, metadata={"description": "as stated by whoever measured"})
    recorded_at = Instant(required=True, metadata={"description": "when it was stored"})
    recorded_by = fields.String(required=True)
    screening = fields.Boolean(required=True, metadata={"description": "true: kept without judging by it"})
    note = fields.String(required=True, allow_none=True)
    voided = fields.Nested(VoidLineSchema, required=True, allow_none=True)
    excluded = fields.Nested(ExclusionLineSchema, required=True, allow_none=True)
    decision_valid = fields.Boolean(
        required=True, metadata={"description": "false when its instrument was not in order"}
    )
    doubt = fields.String(required=True, allow_none=True, metadata={"description": "why not"})
    counts = fields.Boolean(metadata={"description": "false when its lot is judged without it"})
    helps = fields.Boolean(metadata={"description": "false when it can count against its lot at most"})
    to_confirm = fields.Boolean(
        metadata={"description": "true: it lies far from its neighbours and does not count until somebody confirms it"}
    )
    why_not = fields.String(allow_none=True, metadata={"description": "why it does not count or help, in words"})

    class Meta(Schema.Meta):
        include = answered()


class StoredReadingSchema(ReadingSchema):
    """A reading with its warnings."""

    warnings = fields.List(fields.Nested(WarningSchema), required=True)


class OneStoredSchema(StoredReadingSchema):
    """A reading, with where its lot stands now."""

    lot = fields.Nested(LotAfterSchema, required=True)


class ManyStoredSchema(Schema):
    """Readings, with where each of their lots stands now."""

    items = fields.List(fields.Nested(StoredReadingSchema), required=True)
    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


class StoredColumnsSchema(Schema):
    """What was given to each reading, in the order in which they were sent."""

    id = fields.List(fields.Integer(), required=True)
    warnings = fields.List(fields.List(fields.Nested(WarningSchema)), required=True)


class ColumnsStoredSchema(Schema):
    """Readings that came as columns, with where each of their lots stands now."""

    columns = fields.Nested(StoredColumnsSchema, required=True)
    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


class ReadingFilterArgs(PageArgs):
    """Which readings."""

    kind = Text(20, one_of=CHARACTERISTICS, metadata={"description": "of these only"})


def _serve(declared: Characteristic) -> type[Resource]:
    """Adds and returns the path for one kind of reading. They differ in nothing but their fields, their rule and who may send them."""
    kind = declared.name

    class Readings(Resource):
        def post(self, items: list[SentReading], form: str) -> Any:
            stored = recording.record(kind, items, person().name, as_list=form != OBJECT)
            readings, lots = stored["items"], stored["lots"]
            if form == OBJECT:
                return {**readings[0], "lot": lots[0]}
            if form == LIST:
                return {"items": readings, "lots": lots}
            given = {name: [reading[name] for reading in readings] for name in ("id", "warnings")}
            return {"columns": given, "lots": lots}

    Readings.who = {"POST": declared.measured_by}
    Readings.post.__doc__ = (
        f"{declared.summary}\n\nSend one object, a list, or a list as columns with an array for each field. All are stored or none. "
        "Each lot is judged in the same transaction. The unit of a value stands in the name of its field. 422 for an unknown spool, and for a "
        "value that cannot be right."
    )
    any_of_them = {"oneOf": [OneStoredSchema, ManyStoredSchema, ColumnsStoredSchema]}
    answer = routes.response(201, any_of_them)(Readings.post)
    Readings.post = routes.one_or_many(ARGS[kind](), partial(recording.faults_of, kind))(answer)  # type: ignore[method-assign]  # decorated once its kind is known
    Readings.__name__ = f"{kind.capitalize()}Readings"
    routes.route(declared.path)(Readings)
    return Readings


# The path for each kind of reading.
READINGS = {kind: _serve(declared) for kind, declared in DECLARED.items()}


@routes.route(f"/lots/<{NUMBER}:number>/readings")
class LotReadings(Resource):
    """Readings of a lot."""

    who = {"GET": ALL}

    @routes.arguments(ReadingFilterArgs, location="query")
    @routes.response(200, page_schema(ReadingSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List all readings of a lot, voided and screening readings included.

        Readings are in the order they were stored. `counts` and `why_not` say which of them the lot is judged by. The unit of a value stands in the
        name of its field. 404 for an unknown lot.
        """
        return page_answer(recording.of_lot(number, args.get("kind"), args.get("cursor"), args["limit"]))

    def csv_leaves_out(self) -> set[str]:
        """Without a kind every field has a column; with one, those of the other kinds have none."""
        kind = request.args.get("kind", "")
        if kind not in DECLARED:
            return set()
        return set().union(*map(_columns, DECLARED)) - _columns(kind)


def _columns(kind: str) -> set[str]:
    """What a reading of a kind says, with what is worked out of it."""
    return {*ARGS[kind]().fields, *(out.name for out in DECLARED[kind].worked_out)}
