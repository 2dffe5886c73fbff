"""Readings of every kind: one object or a list, all or nothing, judged as they are stored."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import request
from marshmallow import Schema, fields

from lots.api.http.blueprint import (
    ALL,
    BENCH,
    LIST,
    OBJECT,
    Desk,
    PageArgs,
    Resource,
    as_worked_out,
    page_answer,
    page_schema,
    person,
)
from lots.api.http.fields import NUMBER, Instant, Strict, Text
from lots.api.lot_schemas import LotAfterSchema
from lots.api.readings.reading_args import (
    BondArgs,
    ColorArgs,
    DiameterArgs,
    GlossArgs,
    MoistureArgs,
    OpacityArgs,
    ShrinkArgs,
    SurfaceArgs,
)
from lots.api.setup.shades import ConditionsSchema, SpectrumSchema
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.services.readings import recording

desk = Desk("readings", __name__, url_prefix="/v1", description="Measurements on spools and coupons.")


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

    reason = fields.String(required=True, metadata={"description": "in the words of whoever voided it"})
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
    position_m = fields.Float(metadata={"description": "metres from the free end"})
    d1_mm = fields.Float(metadata={"description": "diameter, mm"})
    d2_mm = fields.Float(metadata={"description": "diameter across d1, mm"})
    lab = fields.List(fields.Float(), metadata={"description": "L*, a*, b*"})
    spectrum = fields.Nested(SpectrumSchema)
    conditions = fields.Nested(ConditionsSchema)
    plaque = fields.String(metadata={"description": "which plaque or place was read"})
    axis = fields.String(metadata={"description": "of the printer"})
    feature = fields.String(metadata={"description": "outside: a length over all; inside: a hole or gap"})
    designed_mm = fields.Float(metadata={"description": "length as drawn, mm"})
    measured_mm = fields.Float(metadata={"description": "length as printed, mm"})
    age_h = fields.Float(metadata={"description": "hours after printing"})
    printer = fields.String(metadata={"description": "that printed the coupon or bar"})
    break_force_n = fields.Float(metadata={"description": "force at break, N"})
    area_mm2 = fields.Float(metadata={"description": "cross-section of the bar, mm2"})
    stress_mpa = fields.Float(metadata={"description": "force at break by cross-section, MPa"})
    control = fields.Boolean(metadata={"description": "true for a bar of the control material"})
    specks = fields.Integer(metadata={"description": "counted on the area"})
    area_dm2 = fields.Float(metadata={"description": "first layer looked at, dm2"})
    moisture_percent = fields.Float(metadata={"description": "water, % by mass"})
    method = fields.String(metadata={"description": "how moisture was found"})
    geometry_deg = fields.Integer(metadata={"description": "angle of gloss from the perpendicular, degrees"})
    gloss_gu = fields.Float(metadata={"description": "gloss units"})
    over_black = fields.List(fields.Float(), metadata={"description": "L*, a*, b* over black"})
    over_white = fields.List(fields.Float(), metadata={"description": "L*, a*, b* over white"})
    contrast_ratio = fields.Float(metadata={"description": "Y over black by Y over white"})


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


_LOTS = LotAfterSchema(many=True)


def _serve(path: str, kind: str, schema: type[Strict], who: tuple[str, ...], what: str) -> None:
    """Adds the path for one kind of reading. They differ in nothing but their fields, their rule and who may send them."""

    class Readings(Resource):
        def post(self, items: list[dict[str, Any]], form: str) -> Any:
            stored = recording.record(kind, items, person().name, as_list=form != OBJECT)
            readings, lots = stored["items"], _LOTS.dump(stored["lots"])
            if form == OBJECT:
                return as_worked_out({**readings[0], "lot": lots[0]}, 201)
            if form == LIST:
                return as_worked_out({"items": readings, "lots": lots}, 201)
            given = {name: [reading[name] for reading in readings] for name in ("id", "warnings")}
            return as_worked_out({"columns": given, "lots": lots}, 201)

    Readings.who = {"POST": who}
    Readings.post.__doc__ = (
        f"{what}\n\nOne object, a list, or a list as columns with an array for each field: all are stored or none. "
        "Each lot is judged in the same transaction."
    )
    any_of_them = {"oneOf": [OneStoredSchema, ManyStoredSchema, ColumnsStoredSchema]}
    answered = desk.response(201, any_of_them)(Readings.post)
    Readings.post = desk.one_or_many(schema(), partial(recording.faults_of, kind))(answered)  # type: ignore[method-assign]  # decorated once its kind is known
    Readings.__name__ = f"{kind.capitalize()}Readings"
    desk.route(path)(Readings)


_serve("/diameter-readings", "diameter", DiameterArgs, BENCH, "Store diameters, two axes at each position.")
_serve(
    "/color-readings",
    "color",
    ColorArgs,
    BENCH,
    "Store colours, as L*, a*, b* or as spectra. Refused under other conditions than the shade's current revision.",
)
_serve("/shrink-tests", "shrinkage", ShrinkArgs, ("quality",), "Store lengths of shrink coupons.")
_serve("/bond-tests", "bond", BondArgs, ("quality",), "Store bars broken across their layers, and control bars.")
_serve("/surface-checks", "surface", SurfaceArgs, ("quality",), "Store specks counted on first layers.")
_serve(
    "/moisture-readings",
    "moisture",
    MoistureArgs,
    ("quality",),
    "Store moisture. Too wet holds a lot until it is dried and measured again.",
)
_serve("/gloss-readings", "gloss", GlossArgs, BENCH, "Store gloss, each angle a scale of its own (ISO 2813).")
_serve(
    "/opacity-readings",
    "opacity",
    OpacityArgs,
    BENCH,
    "Store opacity. From then on colours of a lot that is not opaque need the reference's backing.",
)


SCHEMAS: dict[str, type[Strict]] = {
    "diameter": DiameterArgs,
    "color": ColorArgs,
    "shrinkage": ShrinkArgs,
    "bond": BondArgs,
    "surface": SurfaceArgs,
    "moisture": MoistureArgs,
    "gloss": GlossArgs,
    "opacity": OpacityArgs,
}
# What is worked out of a kind's fields and stands beside them in answers.
_WORKED_OUT = {"opacity": {"contrast_ratio"}}


@desk.route(f"/lots/<{NUMBER}:number>/readings")
class LotReadings(Resource):
    """Readings of a lot."""

    who = {"GET": ALL}

    @desk.arguments(ReadingFilterArgs, location="query")
    @desk.response(200, page_schema(ReadingSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List everything that was recorded of a lot, voided and screening readings included."""
        return page_answer(recording.of_lot(number, args.get("kind"), args.get("cursor"), args["limit"]))

    def csv_leaves_out(self) -> set[str]:
        """Without a kind every field has a column; with one, those of the other kinds have none."""
        kind = request.args.get("kind", "")
        if kind not in SCHEMAS:
            return set()
        every = {name for schema in SCHEMAS.values() for name in schema().fields}.union(*_WORKED_OUT.values())
        return every - set(SCHEMAS[kind]().fields) - _WORKED_OUT.get(kind, set())
