"""What readings of each kind say, as they are sent."""

from __future__ import annotations

from typing import Any

from marshmallow import ValidationError, fields, validate, validates_schema

from lots.api.http.fields import MAX_ID, Instant, Number, Numbers, Said, Strict, Text, Truth, Whole
from lots.api.setup.shades import LAB, ConditionsArgs, spectrum_field
from lots.domain.characteristics.gloss import ANGLES
from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES
from lots.domain.colorimetry.color_values import LIGHT


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
