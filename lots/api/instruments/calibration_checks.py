"""Instruments with their checks, kept by quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, fields, post_load, validate

from lots.api.http.fields import (
    NUMBER,
    Code,
    Figure,
    Instant,
    Strict,
    StrictFloat,
    StrictInteger,
    Text,
    VersionedSchema,
)
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.api.lot_schemas import ExposureSchema, LotChangedSchema
from lots.domain.assessment.limits_revision import CHARACTERISTICS
from lots.services.instruments import calibration_checks

routes = Routes("instruments", __name__, url_prefix="/v1/instruments", description="What readings are taken with.")


def _kind(**known: Any) -> Text:
    about = "what it is, such as micrometer"
    return Text(60, metadata={"label": "Kind", "example": "micrometer", "description": about}, **known)


def _uncertainty(**known: Any) -> StrictFloat:
    about = "of one reading, in the unit of what it reads: half of the expanded uncertainty (k = 2) of its certificate"
    return StrictFloat(0, 1000, metadata={"label": "Standard uncertainty", "description": about}, **known)


def _resolution(**known: Any) -> StrictFloat:
    about = "smallest step that it shows, in the unit of what it reads"
    said = {"label": "Resolution", "description": about, "example": 0.001}
    return StrictFloat(None, 1000, above=0, metadata=said, **known)


def _interval(**known: Any) -> StrictInteger:
    about = "days that a passed check holds; later readings do not count"
    return StrictInteger(1, 3650, metadata={"label": "Check interval, days", "description": about}, **known)


class InstrumentChange(Strict):
    """What may change about an instrument. The code stays. Kind, uncertainty and resolution are settled once readings were taken with it."""

    example = {"measures": ["diameter"], "check_interval_days": 90}

    kind = _kind()
    standard_uncertainty = _uncertainty(allow_none=True)
    resolution = _resolution(allow_none=True)
    check_interval_days = _interval()
    measures = fields.List(
        Text(20, one_of=CHARACTERISTICS),
        validate=validate.Length(1, len(CHARACTERISTICS)),
        metadata={
            "label": "Measures",
            "description": "characteristics that it measures; a reading of another is refused",
            "example": list(CHARACTERISTICS[1:2]),
        },
    )

    @post_load
    def each_once(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """Drops a characteristic that is named twice."""
        if "measures" in data:
            data["measures"] = list(dict.fromkeys(data["measures"]))
        return data


class InstrumentArgs(InstrumentChange):
    """A new instrument. Without `measures` it measures what its kind does, or what it is first used for where its kind does not tell."""

    example = {
        "code": "MIC-2",
        "kind": "micrometer",
        "measures": ["diameter"],
        "standard_uncertainty": 0.002,
        "resolution": 0.001,
        "check_interval_days": 30,
    }

    code = Code(
        40, required=True, metadata={"label": "Code", "example": "MIC-1", "description": "as marked on the instrument"}
    )
    kind = _kind(required=True)
    standard_uncertainty = _uncertainty()
    resolution = _resolution()
    check_interval_days = _interval(required=True)


class InForceSchema(Schema):
    """The standard uncertainty that a reading taken now has by its instrument: the larger of the stated one and what studies found."""

    characteristic = fields.String(required=True, metadata={"description": "what is read", "example": "diameter"})
    standard_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "in the unit; null where nothing tells it"}
    )
    unit = fields.String(required=True, metadata={"description": "empty for colour, which has none"})
    source = fields.String(
        required=True, metadata={"enum": ["stated", "study", "none"], "description": "where it comes from"}
    )
    study_id = fields.Integer(required=True, allow_none=True, metadata={"description": "null unless it is a study"})
    measure = fields.String(
        required=True, allow_none=True, metadata={"description": "of that study; of colour the worst coordinate"}
    )


class InstrumentSchema(VersionedSchema):
    """An instrument."""

    code = fields.String(required=True)
    kind = fields.String(required=True)
    standard_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "as stated, in the unit of what it reads"}
    )
    resolution = fields.Float(
        required=True, allow_none=True, metadata={"description": "as stated, in the unit of what it reads"}
    )
    in_force = fields.List(
        fields.Nested(InForceSchema),
        required=True,
        metadata={"description": "what readings taken now count with, by what it reads or was studied for"},
    )
    measures = fields.List(
        fields.String(metadata={"enum": list(CHARACTERISTICS)}),
        required=True,
        allow_none=True,
        metadata={
            "description": "characteristics that it measures; null: nobody stated it, and its first reading will"
        },
    )
    check_interval_days = fields.Integer(required=True)


class CheckArgs(Strict):
    """A check of an instrument against something known."""

    example = {
        "checked_at": "2026-11-25T14:00:00+01:00",
        "result": "pass",
        "artefact": "Pin 1.750 mm",
        "readings": [1.751],
    }

    checked_at = Instant(required=True, metadata={"label": "Checked"})
    result = Text(4, one_of=("pass", "fail"), required=True, metadata={"label": "Result"})
    artefact = Text(200, metadata={"label": "Artefact", "example": "white tile 3"})
    readings = fields.List(
        Figure(),
        validate=validate.Length(max=1000),
        metadata={"label": "Readings", "description": "numbers, or rows such as L*, a*, b*"},
    )
    note = Text(2000, lines=True, metadata={"label": "Note"})


class CheckSchema(Schema):
    """A check of an instrument."""

    id = fields.Integer(required=True)
    instrument_id = fields.Integer(required=True)
    checked_at = Instant(required=True)
    result = fields.String(required=True)
    artefact = fields.String(required=True, allow_none=True)
    readings = fields.List(Figure(), required=True, allow_none=True)
    note = fields.String(required=True, allow_none=True)
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class SuspectArgs(Strict):
    """When the check is made."""

    checked_at = Instant(metadata={"description": "now when left out"})


class SuspectLotSchema(Schema):
    """A lot whose readings would be suspect."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True, metadata={"description": "now"})
    readings = fields.Integer(required=True, metadata={"description": "with the instrument that would be suspect"})


class SuspectSchema(Schema):
    """What a failed check would make suspect: readings between the checks before and after it."""

    instrument_id = fields.Integer(required=True)
    checked_at = Instant(required=True)
    since = Instant(required=True, allow_none=True, metadata={"description": "the check before; null without one"})
    until = Instant(required=True, allow_none=True, metadata={"description": "the check after; null without one"})
    says = fields.String(required=True)
    lots = fields.List(fields.Nested(SuspectLotSchema), required=True)


class TouchedSchema(LotChangedSchema):
    """A lot that a check put in another light."""

    exposure = fields.Nested(ExposureSchema, required=True)


class CheckedSchema(CheckSchema):
    """A check, with the lots it touched."""

    lots = fields.List(fields.Nested(TouchedSchema), required=True)


@routes.route("")
class Instruments(Resource):
    """All instruments."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/instruments/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(InstrumentSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List instruments in the order they were added.

        Each has its uncertainty in force per characteristic, with unit and source.
        """
        return page_answer(calibration_checks.listed(args.get("cursor"), args["limit"]))

    @routes.arguments(InstrumentArgs)
    @routes.response(201, InstrumentSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add an instrument.

        Uncertainty and resolution are in the unit of what it measures. The check interval is in days. 409 when the code is taken.
        """
        made = calibration_checks.add(args, person().name)
        return made, {**self.location(made), **etag("instrument", made)}


@routes.route(f"/<{NUMBER}:number>")
class OneInstrument(Resource):
    """One instrument."""

    who = {"GET": ("quality",), "PATCH": ("quality",)}

    @routes.response(200, InstrumentSchema)
    def get(self, number: int) -> Any:
        """Show an instrument.

        The ETag is the version that a change needs. 404 for an unknown number.
        """
        found = calibration_checks.get(number)
        return found, etag("instrument", found)

    @routes.arguments(InstrumentChange)
    @routes.response(200, InstrumentSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change an instrument.

        What it measures and its check interval, in days, hold from now on. Kind, standard uncertainty and resolution are settled once a reading was
        taken with it: 409. Needs If-Match. 428 without it, 412 when the instrument has changed since.
        """
        version = version_to_change("instrument", calibration_checks.get(number))
        changed = calibration_checks.change(number, version, args, person().name)
        return changed, etag("instrument", changed)


@routes.route(f"/<{NUMBER}:number>/checks")
class Checks(Resource):
    """Checks of an instrument."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(CheckSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List an instrument's checks, oldest first.

        404 for an unknown instrument.
        """
        return page_answer(calibration_checks.checks(number, args.get("cursor"), args["limit"]))

    @routes.arguments(CheckArgs)
    @routes.response(201, CheckedSchema)
    def post(self, args: calibration_checks.Checked, number: int) -> Any:
        """Record a check against a known artefact.

        A failed check puts every reading since the last passed check in doubt. Their lots are judged again without them. `lots` lists each with every
        machine and job that it has reached. 404 for an unknown instrument.
        """
        return calibration_checks.add_check(number, args, person().name)


@routes.route(f"/<{NUMBER}:number>/suspect-lots")
class SuspectLots(Resource):
    """What a failed check would make suspect."""

    who = {"GET": ("quality",)}

    @routes.arguments(SuspectArgs, location="query")
    @routes.response(200, SuspectSchema)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the lots whose readings a failed check would make suspect.

        Those are the readings with the instrument between the checks before and after that moment. Stores nothing. 404 for an unknown instrument.
        """
        return calibration_checks.suspect(number, args.get("checked_at"))
