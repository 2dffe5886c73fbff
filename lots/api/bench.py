"""Readings of all six kinds: one object or a list, all or nothing, judged as they are stored."""

from __future__ import annotations

from typing import Any

from flask import jsonify, request
from marshmallow import Schema, fields

from lots.api.exposure import ExposureSchema
from lots.api.fields import MAX_ID, Instant, Number, Numbers, Strict, Text, Truth, Whole
from lots.api.http import ALL, Desk, PageArgs, Resource, page_answer, page_schema, person
from lots.api.purchasing import NUMBER
from lots.api.receiving import LotLineSchema
from lots.api.shades import LAB, ConditionsArgs, ConditionsSchema
from lots.desks import bench
from lots.domain.agreed import CHARACTERISTICS
from lots.domain.shrinkage import AXES

desk = Desk("readings", __name__, url_prefix="/v1", description="Measurements on spools and coupons.")
BENCH = ("receiving", "quality")


class ReadingArgs(Strict):
    """What every reading says."""

    spool_code = Text(60, required=True)
    instrument_id = Whole(1, MAX_ID, allow_none=True)
    measured_at = Instant(metadata={"description": "now when left out"})
    screening = Truth(
        load_default=False, metadata={"description": "true keeps the reading without judging by it: a wound spool, say"}
    )
    note = Text(2000, lines=True, allow_none=True)


class DiameterArgs(ReadingArgs):
    """Two perpendicular diameters at one position."""

    position_m = Number(0, 10_000, allow_none=True, metadata={"description": "metres from the free end"})
    d1_mm = Number(required=True, metadata={"description": "mm", "example": 1.748})
    d2_mm = Number(required=True, metadata={"description": "mm, across d1", "example": 1.752})


class ColorArgs(ReadingArgs):
    """A colour of a printed plaque, with the conditions it was read under."""

    lab = Numbers(3, LAB, required=True, metadata={"example": [95.02, -0.79, 1.48]})
    conditions = fields.Nested(ConditionsArgs, required=True, error_messages={"required": "This is needed."})
    plaque = Text(120, allow_none=True)


class ShrinkArgs(ReadingArgs):
    """One length of one coupon. Axes are never merged."""

    axis = Text(1, one_of=AXES, required=True)
    feature = Text(7, one_of=("outside", "inside"), required=True)
    designed_mm = Number(above=0, high=2000, required=True)
    measured_mm = Number(above=0, high=2000, required=True)
    age_h = Number(0, 100_000, required=True, metadata={"description": "hours after printing"})
    printer = Text(60, allow_none=True)


class BondArgs(ReadingArgs):
    """A bar broken across its layers: `stress_mpa`, or `break_force_n` with `area_mm2`."""

    break_force_n = Number(above=0, high=1_000_000, allow_none=True)
    area_mm2 = Number(above=0, high=10_000, allow_none=True)
    stress_mpa = Number(above=0, allow_none=True)
    control = Truth(
        load_default=False, metadata={"description": "true for a bar of the control material from the same build"}
    )
    printer = Text(60, allow_none=True)


class SurfaceArgs(ReadingArgs):
    """Specks counted on a first layer."""

    specks = Whole(0, 1_000_000, required=True)
    area_dm2 = Number(above=0, high=1000, required=True)


class MoistureArgs(ReadingArgs):
    """Moisture by mass."""

    moisture_percent = Number(0, required=True)
    method = Text(120, allow_none=True, metadata={"example": "loss on drying"})


class WarningSchema(Schema):
    """Something that looks like a slip; the reading was stored as it stands."""

    field = fields.String(required=True)
    detail = fields.String(required=True)
    hint = fields.String(required=True)


class VoidLineSchema(Schema):
    """Why a reading does not count."""

    reason = fields.String(required=True)
    replaced_by = fields.Integer(required=True, allow_none=True)
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)


class ReadingSchema(Schema):
    """A reading as it was stored. Which of the measured fields are there depends on `kind`."""

    id = fields.Integer(required=True)
    kind = fields.String(required=True, metadata={"enum": list(CHARACTERISTICS)})
    lot_id = fields.Integer(required=True)
    spool_code = fields.String(required=True)
    instrument_id = fields.Integer(required=True, allow_none=True)
    measured_at = Instant(required=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)
    screening = fields.Boolean(required=True)
    note = fields.String(required=True, allow_none=True)
    voided = fields.Nested(VoidLineSchema, required=True, allow_none=True)
    decision_valid = fields.Boolean(
        required=True, metadata={"description": "false when its instrument was not in order"}
    )
    doubt = fields.String(required=True, allow_none=True, metadata={"description": "why not"})
    position_m = fields.Float()
    d1_mm = fields.Float()
    d2_mm = fields.Float()
    lab = fields.List(fields.Float())
    conditions = fields.Nested(ConditionsSchema)
    plaque = fields.String()
    axis = fields.String()
    feature = fields.String()
    designed_mm = fields.Float()
    measured_mm = fields.Float()
    age_h = fields.Float()
    printer = fields.String()
    break_force_n = fields.Float()
    area_mm2 = fields.Float()
    stress_mpa = fields.Float()
    control = fields.Boolean()
    specks = fields.Integer()
    area_dm2 = fields.Float()
    moisture_percent = fields.Float()
    method = fields.String()


class LotAfterSchema(LotLineSchema):
    """Where a lot stands after a change, in words too, and what of it is loaded when it may not be."""

    to_measure = fields.List(fields.String(), required=True)
    says = fields.String(required=True)
    exposure = fields.Nested(ExposureSchema)


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


class VoidArgs(Strict):
    """Why a reading does not count, and which takes its place."""

    reason = Text(2000, lines=True, required=True)
    replaced_by = Whole(1, MAX_ID, allow_none=True)


class VoidedSchema(ReadingSchema):
    """The reading as it stands, with where its lot stands without it."""

    lot = fields.Nested(LotAfterSchema, required=True)


class ReadingFilterArgs(PageArgs):
    """Which readings."""

    kind = Text(20, one_of=CHARACTERISTICS)


_ONE, _MANY = OneStoredSchema(), ManyStoredSchema()


def _serve(path: str, kind: str, schema: type[Strict], who: tuple[str, ...], what: str) -> None:
    """Adds the path for one kind of reading. They differ in nothing but their fields, their rule and who may send them."""

    class Readings(Resource):
        def post(self, items: list[dict[str, Any]], as_list: bool) -> Any:
            stored = bench.record(kind, items, person().name, as_list=as_list)
            if as_list:
                return jsonify(_MANY.dump(stored)), 201
            return jsonify(_ONE.dump({**stored["items"][0], "lot": stored["lots"][0]})), 201

    Readings.who = {"POST": who}
    Readings.post.__doc__ = (
        f"{what}\n\nOne object, or a list: all are stored or none. Each lot is judged in the same transaction."
    )
    both = {"oneOf": [OneStoredSchema, ManyStoredSchema]}
    answered = desk.response(201, both)(Readings.post)
    Readings.post = desk.one_or_many(schema())(answered)  # type: ignore[method-assign]  # decorated once its kind is known
    Readings.__name__ = f"{kind.capitalize()}Readings"
    desk.route(path)(Readings)


_serve("/diameter-readings", "diameter", DiameterArgs, BENCH, "Store diameters, two axes at each position.")
_serve(
    "/color-readings",
    "color",
    ColorArgs,
    BENCH,
    "Store colours. Refused under other conditions than the shade's current revision.",
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


SCHEMAS: dict[str, type[Strict]] = {
    "diameter": DiameterArgs,
    "color": ColorArgs,
    "shrinkage": ShrinkArgs,
    "bond": BondArgs,
    "surface": SurfaceArgs,
    "moisture": MoistureArgs,
}


@desk.route(f"/lots/<{NUMBER}:number>/readings")
class LotReadings(Resource):
    """Readings of a lot."""

    who = {"GET": ALL}

    @desk.arguments(ReadingFilterArgs, location="query")
    @desk.response(200, page_schema(ReadingSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List everything that was recorded of a lot, voided and screening readings included."""
        return page_answer(bench.of_lot(number, args.get("kind"), args.get("cursor"), args["limit"]))

    def csv_leaves_out(self) -> set[str]:
        """Without a kind every field has a column; with one, those of the other kinds have none."""
        asked = SCHEMAS.get(request.args.get("kind", ""))
        every = {name for schema in SCHEMAS.values() for name in schema().fields}
        return every - set(asked().fields) if asked else set()


@desk.route(f"/readings/<{NUMBER}:number>/void")
class Void(Resource):
    """Voiding a reading."""

    who = {"POST": ("quality",)}

    @desk.arguments(VoidArgs)
    @desk.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Say that a reading does not count. It stays visible, and its lot is judged again without it."""
        return bench.void(number, args["reason"], args.get("replaced_by"), person().name)
