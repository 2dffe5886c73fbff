"""Readings of every kind: one object or a list, all or nothing, judged as they are stored."""

from __future__ import annotations

from functools import partial
from typing import Any

from flask import request
from marshmallow import Schema, ValidationError, fields, validate, validates_schema

from lots.api.exposure import ExposureSchema
from lots.api.fields import MAX_ID, Instant, Number, Numbers, Said, Strict, Text, Truth, Whole
from lots.api.http import (
    ALL,
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
from lots.api.purchasing import NUMBER
from lots.api.receiving import LotLineSchema
from lots.api.shades import LAB, ConditionsArgs, ConditionsSchema, SpectrumSchema, spectrum_field
from lots.desks import bench
from lots.desks.spectra import LIGHT
from lots.domain.agreed import CHARACTERISTICS
from lots.domain.gloss import ANGLES
from lots.domain.shrinkage import AXES

desk = Desk("readings", __name__, url_prefix="/v1", description="Measurements on spools and coupons.")
BENCH = ("receiving", "quality")


class ReadingArgs(Strict):
    """What every reading says."""

    spool_code = Text(60, required=True, metadata={"description": "as on its label"})
    instrument_id = Whole(
        1, MAX_ID, allow_none=True, metadata={"description": "that read it; without one its uncertainty is unknown"}
    )
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


class ReadConditionsArgs(ConditionsArgs):
    """How a colour was measured. Illuminant and observer belong to `lab`; a spectrum has none."""

    illuminant = Text(20, metadata={"description": "CIE illuminant; needed with lab", "example": "D65"})
    observer_deg = Whole(2, 10, metadata={"enum": [2, 10], "description": "CIE standard observer; needed with lab"})


class ColorArgs(ReadingArgs):
    """A colour of a printed plaque, with the conditions it was read under: `lab`, or the `spectrum` it is computed from."""

    lab = Numbers(3, LAB, metadata={"example": [95.02, -0.79, 1.48]})
    spectrum = spectrum_field()
    conditions = fields.Nested(ReadConditionsArgs, required=True, error_messages={"required": "This is needed."})
    plaque = Text(120, allow_none=True, metadata={"description": "which plaque or place was read"})
    across_fields = True

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def one_color(self, _: Any, sent: Any, **__: Any) -> None:
        """Takes a colour once, with the light that belongs to it."""
        if not isinstance(sent, dict):
            return
        if "lab" in sent and "spectrum" in sent:
            said = Said("The colour is given twice.", "Give lab, or the spectrum it is computed from.")
            raise ValidationError({"spectrum": [said]})
        wrong: dict[str, Any] = {}
        if "lab" not in sent and "spectrum" not in sent:
            wrong["lab"] = [Said("This is needed.", "Give lab as [L*, a*, b*], or a spectrum.")]
        if isinstance(sent.get("conditions"), dict) and (light := _light(sent["conditions"], "spectrum" in sent)):
            wrong["conditions"] = light
        if wrong:
            raise ValidationError(wrong)


def _light(conditions: dict[str, Any], spectral: bool) -> dict[str, list[str]]:
    """What is wrong with the light of a colour: L*, a*, b* need the one they hold under, a spectrum has none."""
    wrong: dict[str, list[str]] = {}
    for name in LIGHT:
        if spectral and name in conditions:
            detail = "A spectrum has no illuminant and no observer: its colour is computed under the reference's."
            wrong[name] = [Said(detail, "Leave it out.")]
        if not spectral and name not in conditions:
            wrong[name] = ["This is needed."]
    return wrong


class ShrinkArgs(ReadingArgs):
    """One length of one coupon. Axes are never merged."""

    axis = Text(1, one_of=AXES, required=True, metadata={"description": "of the printer"})
    feature = Text(
        7,
        one_of=("outside", "inside"),
        required=True,
        metadata={"description": "outside: a length over all; inside: a hole or gap"},
    )
    designed_mm = Number(above=0, high=2000, required=True, metadata={"description": "length as drawn, mm"})
    measured_mm = Number(above=0, high=2000, required=True, metadata={"description": "length as printed, mm"})
    age_h = Number(0, 100_000, required=True, metadata={"description": "hours after printing"})
    printer = Text(60, allow_none=True, metadata={"description": "that printed the coupon"})


class BondArgs(ReadingArgs):
    """A bar broken across its layers: `stress_mpa`, or `break_force_n` with `area_mm2`."""

    break_force_n = Number(above=0, high=1_000_000, allow_none=True, metadata={"description": "force at break, N"})
    area_mm2 = Number(above=0, high=10_000, allow_none=True, metadata={"description": "cross-section of the bar, mm2"})
    stress_mpa = Number(above=0, allow_none=True, metadata={"description": "force at break by cross-section, MPa"})
    control = Truth(
        load_default=False, metadata={"description": "true for a bar of the control material from the same build"}
    )
    printer = Text(60, allow_none=True, metadata={"description": "that printed the bar"})


class SurfaceArgs(ReadingArgs):
    """Specks counted on a first layer."""

    specks = Whole(0, 1_000_000, required=True, metadata={"description": "counted on the area"})
    area_dm2 = Number(above=0, high=1000, required=True, metadata={"description": "first layer looked at, dm2"})


class MoistureArgs(ReadingArgs):
    """Moisture by mass."""

    moisture_percent = Number(0, required=True, metadata={"description": "water, % by mass"})
    method = Text(120, allow_none=True, metadata={"description": "how it was found", "example": "loss on drying"})


class GlossArgs(ReadingArgs):
    """Gloss of a printed plaque at one angle."""

    geometry_deg = Whole(
        20,
        85,
        required=True,
        validate=validate.OneOf(ANGLES, error="Gloss is read at 20, 60 or 85 degrees."),
        metadata={"description": "angle from the perpendicular"},
    )
    gloss_gu = Number(0, required=True, metadata={"description": "gloss units", "example": 42.5})


class OpacityArgs(ReadingArgs):
    """One place of a printed plaque read over black and over white."""

    over_black = Numbers(3, LAB, required=True, metadata={"example": [94.7, -0.8, 1.3]})
    over_white = Numbers(3, LAB, required=True, metadata={"example": [95.0, -0.8, 1.5]})


class WarningSchema(Schema):
    """Something that looks like a slip; the reading was stored as it stands."""

    field = fields.String(required=True, metadata={"description": "of the reading"})
    detail = fields.String(required=True, metadata={"description": "what looks wrong"})
    hint = fields.String(required=True, metadata={"description": "what it may be"})


class VoidLineSchema(Schema):
    """Why a reading does not count."""

    reason = fields.String(required=True, metadata={"description": "in the words of whoever voided it"})
    replaced_by = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the reading in its place"}
    )
    voided_at = Instant(required=True)
    voided_by = fields.String(required=True)


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


class LotAfterSchema(LotLineSchema):
    """Where a lot stands after a change, in words too, and what of it is loaded when it may not be."""

    to_measure = fields.List(
        fields.String(), required=True, metadata={"description": "what is still to be measured, in words"}
    )
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


class StoredColumnsSchema(Schema):
    """What was given to each reading, in the order in which they were sent."""

    id = fields.List(fields.Integer(), required=True)
    warnings = fields.List(fields.List(fields.Nested(WarningSchema)), required=True)


class ColumnsStoredSchema(Schema):
    """Readings that came as columns, with where each of their lots stands now."""

    columns = fields.Nested(StoredColumnsSchema, required=True)
    lots = fields.List(fields.Nested(LotAfterSchema), required=True)


class VoidArgs(Strict):
    """Why a reading does not count, and which takes its place."""

    reason = Text(2000, lines=True, required=True, metadata={"description": "why it never was a measurement, in words"})
    replaced_by = Whole(
        1,
        MAX_ID,
        allow_none=True,
        metadata={"description": "number of the reading in its place, of the same lot and kind"},
    )


class VoidedSchema(ReadingSchema):
    """The reading as it stands, with where its lot stands without it."""

    lot = fields.Nested(LotAfterSchema, required=True)


class ReadingFilterArgs(PageArgs):
    """Which readings."""

    kind = Text(20, one_of=CHARACTERISTICS, metadata={"description": "of these only"})


_LOTS = LotAfterSchema(many=True)


def _serve(path: str, kind: str, schema: type[Strict], who: tuple[str, ...], what: str) -> None:
    """Adds the path for one kind of reading. They differ in nothing but their fields, their rule and who may send them."""

    class Readings(Resource):
        def post(self, items: list[dict[str, Any]], form: str) -> Any:
            stored = bench.record(kind, items, person().name, as_list=form != OBJECT)
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
    Readings.post = desk.one_or_many(schema(), partial(bench.faults_of, kind))(answered)  # type: ignore[method-assign]  # decorated once its kind is known
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
        return page_answer(bench.of_lot(number, args.get("kind"), args.get("cursor"), args["limit"]))

    def csv_leaves_out(self) -> set[str]:
        """Without a kind every field has a column; with one, those of the other kinds have none."""
        kind = request.args.get("kind", "")
        if kind not in SCHEMAS:
            return set()
        every = {name for schema in SCHEMAS.values() for name in schema().fields}.union(*_WORKED_OUT.values())
        return every - set(SCHEMAS[kind]().fields) - _WORKED_OUT.get(kind, set())


@desk.route(f"/readings/<{NUMBER}:number>/void")
class Void(Resource):
    """Voiding a reading."""

    who = {"POST": ("quality",)}

    @desk.arguments(VoidArgs)
    @desk.response(201, VoidedSchema)
    def post(self, args: dict[str, Any], number: int) -> Any:
        """Say that a reading does not count. It stays visible, and its lot is judged again without it."""
        return bench.void(number, args["reason"], args.get("replaced_by"), person().name)
