"""Readings of every kind, as one object or a list. A request is atomic, and its lots are assessed in the same transaction."""

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

routes = Routes("readings", __name__, url_prefix="/v1", description="Readings on spools and printed specimens.")


class WarningSchema(Schema):
    """A suspected error, or the reason why a reading cannot release its lot. The reading is stored."""

    field = fields.String(required=True, metadata={"description": "name of the field in the reading"})
    detail = fields.String(required=True, metadata={"description": "suspected error"})
    hint = fields.String(required=True, metadata={"description": "possible cause or next step"})
    helps = fields.Boolean(
        metadata={
            "description": "false if the reading can only count against its lot; absent for suspected typing errors"
        }
    )


class VoidAgreementSchema(Schema):
    """The agreement of quality to a void by the author of a reading."""

    reason = fields.String(required=True)
    at = Instant(required=True)
    by = fields.String(required=True)


class VoidLineSchema(Schema):
    """The void of a reading."""

    reason = fields.String(required=True, metadata={"description": "reason given for the void"})
    replaced_by = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the replacement reading; null without one"}
    )
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)
    held = fields.Boolean(
        required=True, metadata={"description": "true if its author voided it and quality has to agree"}
    )
    agreed = fields.Nested(VoidAgreementSchema, required=True, allow_none=True)


class ExclusionLineSchema(Schema):
    """The exclusion of an outlier."""

    cause = fields.String(required=True, metadata={"description": "cause from the fixed list"})
    reason = fields.String(required=True, metadata={"description": "result of the investigation"})
    excluded_at = Instant(required=True)
    excluded_by = fields.String(required=True)


class ReadingSchema(Schema):
    """A reading as stored. `kind` determines which measured fields are present."""

    id = fields.Integer(required=True)
    kind = fields.String(required=True, metadata={"enum": list(CHARACTERISTICS)})
    lot_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    instrument_id = fields.Integer(required=True, allow_none=True)
    measured_at = Instant(required=True, metadata={"description": "time of measurement, as stated"})
    recorded_at = Instant(required=True, metadata={"description": "time of storage"})
    recorded_by = fields.String(required=True)
    screening = fields.Boolean(
        required=True, metadata={"description": "true for a screening reading, which is not used in the assessment"}
    )
    note = fields.String(required=True, allow_none=True)
    voided = fields.Nested(VoidLineSchema, required=True, allow_none=True)
    excluded = fields.Nested(ExclusionLineSchema, required=True, allow_none=True)
    decision_valid = fields.Boolean(
        required=True, metadata={"description": "false if the calibration of its instrument was invalid"}
    )
    doubt = fields.String(
        required=True, allow_none=True, metadata={"description": "reason for the invalid calibration; null if valid"}
    )
    counts = fields.Boolean(metadata={"description": "true if the assessment uses it"})
    helps = fields.Boolean(metadata={"description": "false if it can only count against its lot"})
    to_confirm = fields.Boolean(
        metadata={"description": "true if it lies far from its neighbours and needs confirmation to count"}
    )
    why_not = fields.String(allow_none=True, metadata={"description": "reason why it does not count or help"})

    class Meta(Schema.Meta):
        include = answered()


class StoredReadingSchema(ReadingSchema):
    """A reading with its warnings."""

    warnings = fields.List(fields.Nested(WarningSchema), required=True)


class OneStoredSchema(StoredReadingSchema):
    """A reading, with the state of its lot."""

    lot = fields.Nested(LotAfterSchema, required=True)


class ManyStoredSchema(Schema):
    """Readings, with the state of each of their lots."""

    items = fields.List(fields.Nested(StoredReadingSchema), required=True)
    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


class StoredColumnsSchema(Schema):
    """Numbers and warnings of the stored readings, in the order sent."""

    id = fields.List(fields.Integer(), required=True)
    warnings = fields.List(fields.List(fields.Nested(WarningSchema)), required=True)


class ColumnsStoredSchema(Schema):
    """Readings sent as columns, with the state of each of their lots."""

    columns = fields.Nested(StoredColumnsSchema, required=True)
    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


class ReadingFilterArgs(PageArgs):
    """Filters for readings."""

    kind = Text(20, one_of=CHARACTERISTICS, metadata={"description": "characteristic of the readings"})


def _serve(declared: Characteristic) -> type[Resource]:
    """Returns a new resource for one kind of reading, and registers it."""
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
        f"Store readings of {declared.said}.\n\n{declared.summary} Send one object, a list, or a list as columns with an array per field. The request is atomic. "
        "The lots are assessed in the same transaction. Each value has its unit in its field name. 422 for an unknown spool, and for "
        "an implausible value."
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
        """List the readings of a lot.

        Voided and screening readings are included. Readings are in the order they were stored. `counts` and `why_not`
        say whether a reading is used in the assessment. Each value has its unit in its field name. 404 for an unknown
        lot.
        """
        return page_answer(recording.of_lot(number, args.get("kind"), args.get("cursor"), args["limit"]))

    def csv_leaves_out(self) -> set[str]:
        """Returns the fields of other kinds if the request selects a kind."""
        kind = request.args.get("kind", "")
        if kind not in DECLARED:
            return set()
        return set().union(*map(_columns, DECLARED)) - _columns(kind)


def _columns(kind: str) -> set[str]:
    """Returns the fields of a kind, including computed ones."""
    return {*ARGS[kind]().fields, *(out.name for out in DECLARED[kind].worked_out)}
