"""Instruments and their checks. For quality."""

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

routes = Routes("instruments", __name__, url_prefix="/v1/instruments", description="Instruments and their checks.")


def _kind(**known: Any) -> Text:
    about = "kind of instrument, such as micrometer"
    return Text(60, metadata={"label": "Kind", "example": "micrometer", "description": about}, **known)


def _uncertainty(**known: Any) -> StrictFloat:
    about = "standard uncertainty of one reading, in the measured unit; half the expanded uncertainty (k = 2) on the certificate"
    return StrictFloat(0, 1000, metadata={"label": "Standard uncertainty", "description": about}, **known)


def _resolution(**known: Any) -> StrictFloat:
    about = "smallest displayed step, in the measured unit"
    said = {"label": "Resolution", "description": about, "example": 0.001}
    return StrictFloat(None, 1000, above=0, metadata=said, **known)


def _interval(**known: Any) -> StrictInteger:
    about = "validity of a passed check, days; later readings do not count"
    return StrictInteger(1, 3650, metadata={"label": "Check interval, days", "description": about}, **known)


class InstrumentChange(Strict):
    """The fields of an instrument that can change. Kind, uncertainty and resolution cannot change after the first reading."""

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
            "description": "characteristics that it measures; other readings are refused",
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
    """A new instrument. By default `measures` follows from its kind, or else from its first reading."""

    example = {
        "code": "MIC-2",
        "kind": "micrometer",
        "measures": ["diameter"],
        "standard_uncertainty": 0.002,
        "resolution": 0.001,
        "check_interval_days": 30,
    }

    code = Code(
        40,
        required=True,
        metadata={"label": "Code", "example": "MIC-1", "description": "code marked on the instrument"},
    )
    kind = _kind(required=True)
    standard_uncertainty = _uncertainty()
    resolution = _resolution()
    check_interval_days = _interval(required=True)


class InForceSchema(Schema):
    """The standard uncertainty of new readings, the larger of the stated one and that of studies."""

    characteristic = fields.String(
        required=True, metadata={"description": "measured characteristic", "example": "diameter"}
    )
    standard_uncertainty = fields.Float(
        required=True, allow_none=True, metadata={"description": "standard uncertainty, in `unit`; null if unknown"}
    )
    unit = fields.String(required=True, metadata={"description": "unit; empty for colour"})
    source = fields.String(
        required=True, metadata={"enum": ["stated", "study", "none"], "description": "source of the uncertainty"}
    )
    study_id = fields.Integer(
        required=True, allow_none=True, metadata={"description": "number of the study; null for other sources"}
    )
    measure = fields.String(
        required=True,
        allow_none=True,
        metadata={"description": "measure of the study; for colour the worst coordinate"},
    )


class InstrumentSchema(VersionedSchema):
    """An instrument."""

    code = fields.String(required=True)
    kind = fields.String(required=True)
    standard_uncertainty = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "stated value, in the measured unit; null if not stated"},
    )
    resolution = fields.Float(
        required=True,
        allow_none=True,
        metadata={"description": "stated value, in the measured unit; null if not stated"},
    )
    in_force = fields.List(
        fields.Nested(InForceSchema),
        required=True,
        metadata={"description": "standard uncertainty of new readings per characteristic"},
    )
    measures = fields.List(
        fields.String(metadata={"enum": list(CHARACTERISTICS)}),
        required=True,
        allow_none=True,
        metadata={"description": "characteristics that it measures; null until the first reading if not stated"},
    )
    check_interval_days = fields.Integer(required=True)


class CheckArgs(Strict):
    """A check of an instrument against a known artefact."""

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
        metadata={"label": "Readings", "description": "readings: numbers, or rows such as L*, a*, b*"},
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
    """The time of a check."""

    checked_at = Instant(metadata={"description": "time of the check; now by default"})


class SuspectLotSchema(Schema):
    """A lot with readings that would become suspect."""

    lot_id = fields.Integer(required=True)
    supplier_lot = fields.String(required=True)
    standing = fields.String(required=True, metadata={"description": "present status"})
    readings = fields.Integer(required=True, metadata={"description": "number of readings that would become suspect"})


class SuspectSchema(Schema):
    """The lots that a failed check would make suspect, by readings between its neighbouring checks."""

    instrument_id = fields.Integer(required=True)
    checked_at = Instant(required=True)
    since = Instant(
        required=True, allow_none=True, metadata={"description": "time of the previous check; null without one"}
    )
    until = Instant(
        required=True, allow_none=True, metadata={"description": "time of the next check; null without one"}
    )
    says = fields.String(required=True)
    lots = fields.List(fields.Nested(SuspectLotSchema), required=True)


class TouchedSchema(LotChangedSchema):
    """A lot affected by a check."""

    exposure = fields.Nested(ExposureSchema, required=True)


class CheckedSchema(CheckSchema):
    """A check, with the affected lots."""

    lots = fields.List(fields.Nested(TouchedSchema), required=True)


@routes.route("")
class Instruments(Resource):
    """All instruments."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/instruments/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(InstrumentSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List instruments.

        Each has its standard uncertainty per characteristic, with unit and source. They are in the order they were
        added.
        """
        return page_answer(calibration_checks.listed(args.get("cursor"), args["limit"]))

    @routes.arguments(InstrumentArgs)
    @routes.response(201, InstrumentSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add an instrument.

        Uncertainty and resolution are in the unit of the measured quantity. The check interval is in days. 409 if the
        code is in use.
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

        Use the ETag to change it. 404 for an unknown instrument.
        """
        found = calibration_checks.get(number)
        return found, etag("instrument", found)

    @routes.arguments(InstrumentChange)
    @routes.response(200, InstrumentSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change an instrument.

        The measured characteristics and the check interval, in days, can change at any time. Kind, standard uncertainty
        and resolution cannot change after the first reading. 409 then. Needs If-Match. 428 without If-Match, 412 if the
        instrument has changed.
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
        """List the checks of an instrument.

        The oldest come first. 404 for an unknown instrument.
        """
        return page_answer(calibration_checks.checks(number, args.get("cursor"), args["limit"]))

    @routes.arguments(CheckArgs)
    @routes.response(201, CheckedSchema)
    def post(self, args: calibration_checks.Checked, number: int) -> Any:
        """Record an instrument check.

        The instrument measures a known artefact. A failed check makes all readings since the last passed check suspect.
        Their lots are reassessed without them. `lots` lists each lot with every machine and job that it has reached.
        404 for an unknown instrument.
        """
        return calibration_checks.add_check(number, args, person().name)


@routes.route(f"/<{NUMBER}:number>/suspect-lots")
class SuspectLots(Resource):
    """The effect of a failed check."""

    who = {"GET": ("quality",)}

    @routes.arguments(SuspectArgs, location="query")
    @routes.response(200, SuspectSchema)
    def get(self, args: dict[str, Any], number: int) -> Any:
        """Preview a failed check.

        Lists the lots that have readings with this instrument between the checks before and after that time. Nothing is
        stored. 404 for an unknown instrument.
        """
        return calibration_checks.suspect(number, args.get("checked_at"))
