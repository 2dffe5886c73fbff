"""Shades and their revisions. For quality."""

from __future__ import annotations

from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from lots.api.http.fields import (
    MAX_ID,
    NUMBER,
    Code,
    Instant,
    Numbers,
    Said,
    Strict,
    StrictFloat,
    StrictInteger,
    Text,
    VersionedSchema,
    answered,
)
from lots.api.http.routes import PageArgs, Resource, Routes, etag, page_answer, page_schema, person, version_to_change
from lots.api.lot_schemas import LossSchema
from lots.domain.colorimetry.color_values import FACES
from lots.services.assessment import impact
from lots.services.instruments import references
from lots.services.setup import catalog, shade_revisions
from lots.services.setup.shade_revisions import RevisionValues

routes = Routes(
    "shades", __name__, url_prefix="/v1/shades", description="Approved colours, each with numbered revisions."
)

LAB = "L*, a*, b*"
# Maximum interval, ten years.
DAYS = 3650
_INTERVAL = {"label": "Remeasurement interval, days", "description": "days between remeasurements of the master"}


class Lit(fields.Field[str]):
    """A condition with two states: a word, or true for included and false for excluded."""

    def __init__(self, **kw: Any) -> None:
        kw.setdefault("metadata", {}).update(type="string", enum=["included", "excluded"])
        kw.setdefault("error_messages", {}).update(required="This is required.")
        super().__init__(**kw)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kw: Any) -> str:
        known = {
            "included": "included",
            "sci": "included",
            "excluded": "excluded",
            "sce": "excluded",
            "cut": "excluded",
        }
        if isinstance(value, bool):
            return "included" if value else "excluded"
        if isinstance(value, str) and value.strip().lower() in known:
            return known[value.strip().lower()]
        raise ValidationError(Said("This must be included or excluded."))


class ConditionsArgs(Strict):
    """Measuring conditions of a colour. Readings are comparable only under equal conditions."""

    example = {"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included", "uv": "excluded"}

    illuminant = Text(
        20,
        required=True,
        metadata={
            "label": "Illuminant",
            "description": "CIE illuminant for the colour comparison",
            "example": "D65",
            "proposal": "D65",
        },
    )
    observer_deg = StrictInteger(
        2,
        10,
        hint="Give 2 or 10.",
        required=True,
        metadata={
            "label": "Observer, degrees",
            "enum": [2, 10],
            "description": "CIE standard observer: 10 degrees for large areas, 2 for small ones",
            "proposal": 10,
        },
    )
    geometry = Text(
        20,
        required=True,
        metadata={
            "label": "Geometry",
            "description": "measuring geometry, such as d/8 with a sphere or 45/0 without",
            "example": "d/8",
            "proposal": "d/8",
        },
    )
    specular = Lit(
        required=True,
        metadata={
            "label": "Specular component",
            "description": "specular reflection: included for the colour of the material, excluded for the appearance to the eye",
            "proposal": "included",
        },
    )
    uv = Lit(metadata={"label": "UV", "description": "ultraviolet in the light source; required for brightened whites"})
    backing = Text(
        60,
        metadata={
            "label": "Backing",
            "description": "backing of the plaque, such as white; required if the plaque is not opaque",
            "example": "white",
        },
    )
    age_h = StrictFloat(
        0,
        100_000,
        metadata={
            "label": "Age, h",
            "description": "time since printing, h; for a reference, the minimum age of readings",
        },
    )
    face = Text(10, one_of=FACES, metadata={"label": "Face", "description": "measured face of the plaque"})
    thickness_mm = StrictFloat(
        0.1, 20, metadata={"label": "Thickness, mm", "description": "plaque thickness, mm; values within 5 % are equal"}
    )
    texture = Text(
        60, metadata={"label": "Texture", "description": "texture of the face, such as smooth", "example": "smooth"}
    )
    aperture_mm = StrictFloat(
        0.1, 100, metadata={"label": "Aperture, mm", "description": "diameter of the measured area, mm"}
    )
    orientation_deg = StrictFloat(
        0,
        360,
        metadata={"label": "Orientation, degrees", "description": "angle of the instrument to the printed lines"},
    )


class ReadConditionsArgs(ConditionsArgs):
    """Measuring conditions of a reading. Illuminant and observer are for `lab`, a spectrum has none."""

    illuminant = Text(20, metadata={"description": "CIE illuminant; required with lab", "example": "D65"})
    observer_deg = StrictInteger(
        2, 10, metadata={"enum": [2, 10], "description": "CIE standard observer, degrees; required with lab"}
    )


class SpectrumArgs(Strict):
    """A reflectance spectrum, corrected for its bandpass by the instrument."""

    start_nm = StrictInteger(
        360,
        400,
        hint="Give a multiple of 10 from 360 to 400.",
        required=True,
        metadata={"description": "first wavelength, nm, a multiple of 10"},
    )
    step_nm = StrictInteger(10, 20, hint="Give 10 or 20.", required=True, metadata={"enum": [10, 20]})
    values = fields.List(
        StrictFloat(),
        required=True,
        validate=validate.Length(
            1, 43, error="A spectrum has 1 to 43 values: from 400 nm every 10 nm, 31 values end at 700 nm."
        ),
        error_messages={"required": "This is required.", "null": "This must be a list, not null."},
        metadata={"description": "reflectance factors, 1 for perfect white; the last at 700 to 780 nm"},
    )


def spectrum_field(**kw: Any) -> fields.Nested:
    """Returns the request field of a spectrum."""
    kw.setdefault("metadata", {}).setdefault("description", "reflectance spectrum, instead of lab")
    return fields.Nested(
        SpectrumArgs,
        error_messages={"required": "This is required.", "null": "This must be an object, not null."},
        **kw,
    )


class SpectrumSchema(Schema):
    """A reflectance spectrum."""

    start_nm, step_nm, values = answered(SpectrumArgs)


class RevisionArgs(Strict):
    """A reference colour to approve, as `lab`, as `readings` to be averaged, or as `spectrum`."""

    example = {"lab": [95.02, -0.79, 1.48], "conditions": ConditionsArgs.example, "approved_by": "Wilhelmina"}

    lab = Numbers(3, LAB, metadata={"label": "L*, a*, b*", "example": [95.0, -0.8, 1.5]})
    readings = fields.List(
        Numbers(3, LAB),
        validate=validate.Length(1, 1000, error="Give 1 to 1000 readings."),
        metadata={"label": "Readings", "description": "readings to be averaged, L*, a*, b*"},
    )
    spectrum = spectrum_field()
    conditions = fields.Nested(ConditionsArgs, required=True, error_messages={"required": "This is required."})
    instrument_id = StrictInteger(
        1, MAX_ID, metadata={"label": "Instrument", "description": "instrument used for the reference"}
    )
    standard_uncertainty = StrictFloat(
        low=0,
        high=10,
        metadata={
            "label": "Standard uncertainty",
            "description": "standard uncertainty of the reference per coordinate, CIELAB units",
        },
    )
    approved_by = Text(120, required=True, metadata={"label": "Approved by", "description": "name of the approver"})
    note = Text(2000, lines=True, metadata={"label": "Note"})


class ConditionsSchema(Schema):
    """Measuring conditions of a colour."""

    illuminant, observer_deg, geometry, specular, uv, backing, *_plaque = answered(ConditionsArgs, whole=False)
    age_h, face, thickness_mm, texture, aperture_mm, orientation_deg = _plaque
    del _plaque


class RevisionSchema(Schema):
    """An approved reference colour. It never changes."""

    id = fields.Integer(required=True)
    shade_id = fields.Integer(required=True)
    revision = fields.Integer(required=True, metadata={"description": "revision number within the shade, from 1"})
    (lab,) = answered(RevisionArgs, "lab", null=False)
    (readings,) = answered(RevisionArgs, "readings")
    spectrum = fields.Nested(SpectrumSchema, required=True, allow_none=True)
    conditions = fields.Nested(ConditionsSchema, required=True)
    instrument_id, standard_uncertainty, approved_by, note = answered(
        RevisionArgs, "instrument_id", "standard_uncertainty", "approved_by", "note"
    )
    recorded_at = Instant(required=True)
    recorded_by = fields.String(required=True)


class ApprovedSchema(RevisionSchema):
    """An approved revision, with the lots in stock that would lose a use."""

    would_fail = fields.List(
        fields.Nested(LossSchema),
        required=True,
        metadata={"description": "lots in stock that would lose a use under this revision"},
    )


class ShadeArgs(Strict):
    """A new shade. Its reference colour is approved afterwards."""

    example = {"code": "SG", "name": "Signal Green", "remeasure_every_days": 180}

    code = Code(40, required=True, metadata={"label": "Code", "example": "HW"})
    name = Text(200, required=True, metadata={"label": "Name", "example": "Harbour White"})
    remeasure_every_days = StrictInteger(1, DAYS, metadata=dict(_INTERVAL))


class ShadeChange(Strict):
    """The fields of a shade that can change."""

    example = {"name": "Signal Green", "remeasure_every_days": 90}

    name = Text(200, metadata={"label": "Name"})
    remeasure_every_days = StrictInteger(1, DAYS, allow_none=True, metadata=dict(_INTERVAL))


class ShadeSchema(VersionedSchema):
    """A shade."""

    code, name, remeasure_every_days = answered(ShadeArgs)


class InDoubtSchema(Schema):
    """A master or working copy whose colour changed. Renewed agreement (`until`) does not clear it."""

    artefact = fields.String(
        required=True, metadata={"enum": ["master", "copy"], "description": "kind of plaque that changed"}
    )
    code = fields.String(required=True, allow_none=True, metadata={"description": "copy code; null for the master"})
    revision = fields.Integer(required=True, metadata={"description": "shade revision of the plaque"})
    since = Instant(required=True, allow_none=True, metadata={"description": "time of the last agreement"})
    found_at = Instant(required=True, metadata={"description": "time at which the change was first found"})
    until = Instant(required=True, allow_none=True, metadata={"description": "time of renewed agreement, or null"})
    says = fields.String(required=True, metadata={"description": "summary sentence with the corrective step"})


class WholeShadeSchema(ShadeSchema):
    """A shade, with the due date of its master and its suspect plaques."""

    due_at = Instant(required=True, allow_none=True, metadata={"description": "next remeasurement of its master"})
    in_doubt = fields.List(
        fields.Nested(InDoubtSchema), required=True, metadata={"description": "plaques that were found to have changed"}
    )


@routes.route("")
class Shades(Resource):
    """All shades."""

    who = {"GET": ("quality",), "POST": ("quality",)}
    made_at = "/v1/shades/{id}"

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(ShadeSchema))
    def get(self, args: dict[str, Any]) -> Any:
        """List shades.

        Each has its number, code and name. They are in the order they were added.
        """
        return page_answer(catalog.listed("shade", args.get("cursor"), args["limit"]))

    @routes.arguments(ShadeArgs)
    @routes.response(201, ShadeSchema)
    def post(self, args: dict[str, Any]) -> Any:
        """Add a shade.

        It has no reference colour until a revision is approved. 409 if the code is in use.
        """
        made = catalog.add("shade", args, person().name)
        return made, {**self.location(made), **etag("shade", made)}


@routes.route(f"/<{NUMBER}:number>")
class OneShade(Resource):
    """One shade."""

    who = {"GET": ("quality",), "PATCH": ("quality",)}

    @routes.response(200, WholeShadeSchema)
    def get(self, number: int) -> Any:
        """Show a shade.

        The answer lists references that were found to have changed colour. Use the ETag to change the shade. 404 for an
        unknown shade.
        """
        found = references.shade(number)
        return found, etag("shade", found)

    @routes.arguments(ShadeChange)
    @routes.response(200, ShadeSchema)
    def patch(self, args: dict[str, Any], number: int) -> Any:
        """Change a shade.

        The name and the remeasurement interval of its master, in days, can change. Needs If-Match. 428 without
        If-Match, 412 if the shade has changed.
        """
        version = version_to_change("shade", catalog.get("shade", number))
        changed = catalog.change("shade", number, version, args, person().name)
        return changed, etag("shade", changed)


@routes.route(f"/<{NUMBER}:number>/revisions")
class Revisions(Resource):
    """Revisions of a shade."""

    who = {"GET": ("quality",), "POST": ("quality",)}

    @routes.arguments(PageArgs, location="query")
    @routes.response(200, page_schema(RevisionSchema))
    def get(self, args: dict[str, Any], number: int) -> Any:
        """List the revisions of a shade.

        The oldest come first. Each has its reference colour in CIELAB and its measuring conditions. 404 for an unknown
        shade.
        """
        return page_answer(shade_revisions.listed(number, args.get("cursor"), args["limit"]))

    @routes.arguments(RevisionArgs)
    @routes.response(201, ApprovedSchema)
    def post(self, args: RevisionValues, number: int) -> Any:
        """Approve a reference colour.

        It becomes the next revision of the shade. State it as `lab`, `readings` or `spectrum`. Assessed lots keep their
        revision until they are reassessed. `would_fail` lists lots in stock that would lose a use. 404 for an unknown
        shade.
        """
        made: dict[str, Any] = shade_revisions.approve(number, args, person().name)
        return {**made, "would_fail": impact.of_shade_revision(number, made["revision"])}
