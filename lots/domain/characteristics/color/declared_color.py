"""Declaration of colour: readings, limits, findings, figures, form and labels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from lots.domain.characteristics.color.against_control import CODE as CONTROL
from lots.domain.characteristics.color.against_control import judge_against_control
from lots.domain.characteristics.color.backing import backing_action, color_wanted, on_another_backing, on_its_backing
from lots.domain.characteristics.color.between_instruments import from_previous, to_reference
from lots.domain.characteristics.color.between_spools import CODE as PAIR
from lots.domain.characteristics.color.between_spools import judge_spool_pair, kept_of
from lots.domain.characteristics.color.doubts import FAR_FROM_REFERENCE_L, coordinates_of
from lots.domain.characteristics.color.limits_block import COLOR_LIMITS, COORDINATES
from lots.domain.characteristics.color.lot_color import (
    REFERENCE_NEEDED,
    ColorLimits,
    ColorReading,
    ColorSummary,
    Wanted,
    judge_color,
    judge_spools,
    summarise,
)
from lots.domain.characteristics.color.spectral_figures import judge_depth, spectra_lacking
from lots.domain.characteristics.declaring.case import Case, Part, ShadeRevision, Taken
from lots.domain.characteristics.declaring.declaration import (
    BENCH,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    RepeatFigure,
    Repeats,
    Studied,
    Values,
)
from lots.domain.characteristics.declaring.figures import Figure, sum_of_squares
from lots.domain.characteristics.declaring.limit_fields import Problem
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.origin import of_the_lot
from lots.domain.characteristics.declaring.plausibility import FAR_OFF, Doubt, doubt_lab
from lots.domain.characteristics.declaring.printing import printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.opacity.lot_opacity import Opacity, latest
from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import LIGHT, Conditions, Lab
from lots.domain.colorimetry.spectra import Spectrum
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.receiving.coverage import Coverage
from lots.domain.words import plural

# Least chroma for a meaningful hue angle; near grey, noise hue_differences it by any amount. Common practice, no source.
LEAST_CHROMA = 2.0
# Limits on a colour difference, whose values depend on the formula.
DIFFERENCES = ("lot_max", "spool_max", "spread_max", "step_max", "job_pair_max", "spool_pair_max", "control_max")
# L*, a* and b* of a lot are charted together, as one vector.
VECTOR = ("color.component_l", "color.component_a", "color.component_b")


def _assess(case: Case) -> Part:
    recorded, limits = case.of("color")
    newest = latest(case.readings.get("opacity", ()))
    plaque, shade = newest.found if newest else None, case.shade
    colors = [one for reading in recorded if (one := comparable(reading, limits, shade)) is not None]
    backed = on_its_backing(colors, plaque, shade)
    summary = summarise(backed, case.estimate)
    kept = _kept(summary, case.rules) if summary and shade else {}
    figures = _figures(summary, shade.lab, limits or ColorLimits()) if summary and shade else {}
    notes = _notes(len(recorded) - len(colors), len(colors) - len(backed), shade)
    if not limits or not case.judging:
        return Part(kept=kept, figures=figures, notes=notes)
    if limits.step_max is not None and case.previous.lab is None:
        notes.append("No colour step is assessed, since this supplier and grade have no earlier accepted lot.")
    findings, each, crossed = _judge(case, colors, plaque, limits)
    notes += crossed
    spools = summary.spools if summary else {}
    measured = frozenset(code for code, (_, n) in spools.items() if n >= limits.readings_per_spool_min)
    freedom = _freedom(summary)
    return Part(
        findings=findings, each=each, measured=measured, kept=kept, figures=figures, notes=notes, freedom=freedom
    )


def _freedom(summary: ColorSummary | None) -> dict[str, float]:
    """Returns the degrees of freedom of the lot's colour, where its uncertainty was estimated."""
    if summary is None or math.isinf(summary.lot_uncertainty.df):
        return {}
    return {"lab": summary.lot_uncertainty.df}


def _kept(summary: ColorSummary, rules: int) -> dict[str, Any]:
    """Returns the stored figures of a lot's colour; before version 3 of the rules without those of its spools."""
    of_lot = {"lab": summary.lot, "lab_uncertainty": summary.lot_uncertainty.total}
    return of_lot if rules <= SECOND else {**of_lot, **kept_of(summary)}


def comparable(reading: ColorReading, _: ColorLimits | None, shade: ShadeRevision | None) -> ColorReading | None:
    """Returns a colour under the illuminant of the reference, None where its conditions differ; unchanged without a reference."""
    if shade is None:
        return reading
    seen = reading.under(shade.conditions)
    return seen if seen.conditions.comparable_with(shade.conditions) else None


def _notes(other_conditions: int, not_backed: int, shade: ShadeRevision | None) -> list[str]:
    notes = []
    if other_conditions and shade:
        were, do = plural(other_conditions, "reading was", "readings were"), plural(other_conditions, "does", "do")
        notes.append(
            f"{other_conditions} colour {were} made under conditions that differ from revision {shade.revision} of {shade.name} and {do} not count."
        )
    if not_backed:
        notes.append(
            f"{not_backed} colour {plural(not_backed, 'reading')} can fail the lot but not pass it. "
            "The plaques are not opaque, and the backing is not that of the reference."
        )
    return notes


def _judge(
    case: Case, readings: Sequence[ColorReading], plaque: Opacity | None, limits: ColorLimits
) -> tuple[list[Finding], list[Finding], list[str]]:
    """Returns the findings on a lot's colour, those on each spool, and notes. Without a known backing nothing passes."""
    shade, coverage, rule = case.shade, case.coverage, case.rule
    reference, asked = (shade.lab, shade.conditions) if shade else (None, None)
    what, waits_for = color_wanted(plaque, asked), backing_action(plaque, asked)
    spectra = spectra_lacking(readings, shade, limits, coverage, what)
    moved, compared = to_reference(readings, shade, case)
    before = from_previous(readings, moved, case)
    read = summarise(readings, case.estimate)
    summary = read if moved == list(readings) else summarise(moved, case.estimate)
    found = judge_color(summary, reference, limits, coverage, rule, before, Wanted(what, spectra), compared)
    found += judge_depth(readings, read, shade, limits, coverage, rule, what, case.estimate)
    if case.rules > SECOND:
        found += judge_spool_pair(read, limits, coverage, rule, _pair_lacking(read, reference, limits, coverage, what))
        seen = (comparable(control, limits, shade) for control in case.controls.get("color", ()))
        beside = [one for one in seen if one is not None]
        found += judge_against_control(readings, beside, limits, rule, case.estimate)
    each = judge_spools(summary, reference, limits, rule, compared=compared)
    if waits_for:
        found, each = ([_without_pass(finding, waits_for) for finding in some] for some in (found, each))
    return found, each, [before.note] if before.note and limits.step_max is not None else []


def _pair_lacking(
    summary: ColorSummary | None, reference: Lab | None, limits: ColorLimits, coverage: Coverage, what: str
) -> str:
    """Returns the action needed before two spools can be compared, "" for none."""
    if reference is None:
        return REFERENCE_NEEDED
    counts = {spool: n for spool, (_, n) in summary.spools.items()} if summary else {}
    return coverage.lacking(counts, limits.readings_per_spool_min, what)


def _without_pass(finding: Finding, waits_for: str) -> Finding:
    """Returns a finding that may fail but not pass."""
    return finding if finding.verdict == "fail" else replace(finding, verdict="missing", to_measure=waits_for)


def _figures(colors: ColorSummary, reference: Lab, rule: ColorLimits) -> dict[str, Figure]:
    apart = [components(reference, mean) for mean, _ in colors.spools.values()]
    lot, u = components(reference, colors.lot), colors.lot_uncertainty.total or (None, None, None)
    found = {
        "color.component_l": Figure(lot.dL, len(apart), sum_of_squares([part.dL for part in apart]), u[0]),
        "color.component_a": Figure(lot.da, len(apart), sum_of_squares([part.da for part in apart]), u[1]),
        "color.component_b": Figure(lot.db, len(apart), sum_of_squares([part.db for part in apart]), u[2]),
    }
    each = [rule.delta_e(reference, mean) for mean, _ in colors.spools.values()]
    found["color.lot_delta_e"] = Figure(rule.delta_e(reference, colors.lot), len(each), sum_of_squares(each))
    if min(reference.chroma, colors.lot.chroma) >= LEAST_CHROMA:
        hue_differences = [_hue_difference(reference, mean) for mean, _ in colors.spools.values()]
        found["color.hue"] = Figure(
            _hue_difference(reference, colors.lot), len(hue_differences), sum_of_squares(hue_differences)
        )
    return found


def _hue_difference(reference: Lab, sample: Lab) -> float:
    """Returns the angle from the reference's hue to the sample's, -180..180 degrees."""
    cross = reference.a * sample.b - reference.b * sample.a
    return math.degrees(math.atan2(cross, reference.a * sample.a + reference.b * sample.b))


def _reading(taken: Taken) -> ColorReading:
    values = taken.values
    kept = values.get("spectrum")
    spectrum = Spectrum(kept["start_nm"], kept["step_nm"], tuple(kept["values"])) if kept else None
    lab, conditions = Lab(*values["lab"]), Conditions(**values["conditions"])
    return ColorReading(taken.spool, lab, conditions, taken.uncertainty, spectrum, taken.resolution, taken.origin)


def _says(values: Values) -> str:
    lightness, a, b = values["lab"]
    plaque = f", plaque {values['plaque']}" if values.get("plaque") else ""
    if values.get("spectrum"):
        # A computed colour has more digits than the instrument.
        return f"L* {lightness:.2f}, a* {a:.2f}, b* {b:.2f}, from its spectrum{plaque}"
    return f"L* {lightness:g}, a* {a:g}, b* {b:g}{plaque}"


def _doubts(values: Values, _: float) -> list[Doubt]:
    """Returns a doubt about the colour. An invalid spectrum has no colour and was refused before."""
    doubt = doubt_lab(values["lab"], values["conditions"].get("uv")) if "lab" in values else None
    if doubt is None:
        return []
    return [doubt if values.get("spectrum") is None else replace(doubt, field="spectrum")]


def _sent(sent: Values) -> list[Problem]:
    """Returns errors of a colour that is given twice or not at all, or with the wrong conditions for its form."""
    spectral, found = "spectrum" in sent, []
    if "lab" in sent and spectral:
        return [("spectrum", "The colour is given twice.", "Give either L*, a*, b*, or the spectrum.")]
    if "lab" not in sent and not spectral:
        found.append(("lab", "This is required.", "Give [L*, a*, b*], or a spectrum."))
    conditions = sent.get("conditions")
    if not isinstance(conditions, dict):
        return found
    for name in LIGHT:
        if spectral and name in conditions:
            detail = (
                "A spectrum has no illuminant and no observer. Its colour is computed under those of the reference."
            )
            found.append((f"conditions/{name}", detail, "Leave out this field."))
        if not spectral and name not in conditions:
            found.append((f"conditions/{name}", "This is required.", ""))
    return found


def _scales(limits: ColorLimits, _: float, shade: ShadeRevision | None) -> list[Scale]:
    """Returns the scale of one reading's colour difference from the reference, with the limit on spools, else on the lot."""
    most, whose = (
        (limits.spool_max, "the mean of a spool")
        if limits.spool_max is not None
        else (limits.lot_max, "the mean of the lot")
    )
    if shade is None or most is None:
        return []

    def difference(values: Values) -> float | None:
        return limits.delta_e(shade.lab, Lab(*values["lab"])) if values.get("lab") else None

    scale = Scale(
        label="Colour difference from the reference",
        limit=Limit(None, most),
        of=COORDINATES,
        how="computed",
        work_out=difference,
        holds_for=whose,
        decimals=2,
    )
    return [scale]


def _component(name: str, label: str, more: str, less: str) -> Measure:
    def limit(limits: ColorLimits, _: float) -> Limit | None:
        most = (limits.components_max or {}).get(name)
        return None if most is None else Limit(-most, most)

    return Measure(
        f"color.component_{name.lower()}",
        label,
        "",
        more,
        less,
        limit=limit,
        referred=True,
        spread=True,
        plausible=(-FAR_FROM_REFERENCE_L, FAR_FROM_REFERENCE_L),
        meant=_DIFFERENCE,
    )


_DIFFERENCE = "State the difference, sample minus reference, and not the coordinate itself."
_LIGHTNESS, _RED, _YELLOW = "Lightness difference dL*", "Red-green difference da*", "Yellow-blue difference db*"
COLOR = Characteristic(
    name="color",
    word="colour",
    title="Colour",
    path="/color-readings",
    schema="Color",
    summary="Store colours as L*, a*, b* or as spectra. The conditions must be those of the shade's current revision.",
    about="The colour of a printed plaque with its measuring conditions, as `lab` or as `spectrum`.",
    measured_by=BENCH,
    fields=(
        Field(
            "lab",
            type="lab",
            example=[95.02, -0.79, 1.48],
            stand_in=[50.0, 0.0, 0.0],
            columns=COORDINATES,
            label="L*, a*, b*",
        ),
        Field(
            "spectrum",
            "reflectance by wavelength, in place of lab",
            type="spectrum",
            stand_in={"start_nm": 400, "step_nm": 10, "values": [0.5] * 31},
        ),
        Field(
            "conditions",
            type="conditions",
            needed=True,
            stand_in={"illuminant": "D65", "observer_deg": 10, "geometry": "d/8", "specular": "included"},
        ),
        Field("plaque", "plaque or measuring position", type="text", longest=120),
        *printed_fields("the plaque"),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    sent=_sent,
    printed=True,
    of_lot=of_the_lot,
    comparable=comparable,
    not_comparable="measured under conditions that differ from the reference",
    compared_by="conditions",
    against_only=on_another_backing,
    beside=("opacity",),
    limits=COLOR_LIMITS,
    assess=_assess,
    judged=(
        Judged("color.lot_delta_e", "Lot colour difference", covered=True),
        Judged("color.spool_delta_e", "Worst spool's colour difference", of_spool=True, covered=True),
        Judged("color.spread", "Colour spread between spools"),
        Judged(PAIR, "Largest colour difference between two spools", limited_by="spool_pair_max", since=SECOND + 1),
        Judged("color.step", "Colour step from the last accepted lot", step=True),
        Judged(CONTROL, "Colour difference from the control spool", limited_by="control_max", since=SECOND + 1),
        Judged("color.component_l", _LIGHTNESS, symbol="ΔL*", covered=True),
        Judged("color.component_a", _RED, symbol="Δa*", covered=True),
        Judged("color.component_b", _YELLOW, symbol="Δb*", covered=True),
        Judged("color.metamerism", "Metamerism index"),
        Judged("color.whiteness", "CIE whiteness", limited_by="whiteness_min"),
        Judged("color.tint", "CIE tint", limited_by="tint"),
        Judged("color.yellowness", "Yellowness index", limited_by="yellowness_max"),
    ),
    measures=(
        _component("L", _LIGHTNESS, "lighter", "darker"),
        _component("a", _RED, "redder", "greener"),
        _component("b", _YELLOW, "yellower", "bluer"),
        Measure(
            "color.hue",
            "Hue angle difference",
            "degrees",
            "towards larger hue angles",
            "towards smaller hue angles",
            decimals=1,
            referred=True,
            plausible=(-180, 180),
        ),
        Measure(
            "color.lot_delta_e",
            "Colour difference",
            "",
            "further from the reference",
            "nearer to the reference",
            limit=lambda limits, _: None if limits.lot_max is None else Limit(None, limits.lot_max),
            referred=True,
            plausible=(0, FAR_FROM_REFERENCE_L),
        ),
    ),
    # Lots of one shade differ by one or two units. Common practice, no source.
    far=Far(of=coordinates_of, band=within(FAR_OFF), says=f"{FAR_OFF:g} in L*, a* or b*"),
    repeats=Repeats(
        figures=tuple(RepeatFigure(f"color.{name}", f"{name}*", studied=f"color.d{name}") for name in COORDINATES),
        of=lambda reading: [
            (f"color.{name}", value, (), 1.0) for name, value in zip(COORDINATES, reading.lab.as_list(), strict=True)
        ],
    ),
    # Studies of colour use one coordinate at a time, as values or differences.
    studied=tuple(Studied(f"color.d{name}", f"{name}*", "", -150, 150) for name in COORDINATES),
    instruments=("spectro", "colorimet", "colourimet"),
    kinds=("spectrophotometer", "colorimeter"),
    instrument_unit="per coordinate",
    method="Printed plaques were measured in CIELAB under the conditions of the reference. Readings were averaged per spool, and spool "
    "means over the lot. Differences are sample minus reference.",
    uses=("cosmetic",),
    carried=("lab", "lab_uncertainty"),
    step_terms=lambda block: [block.get("formula"), block.get("weights")],
    scales=_scales,
    form=Form(
        "Colour",
        "Spot",
        5,
        (
            *(Entry(name, f"{name}*", needed=True, part_of="lab") for name in COORDINATES),
            Entry("plaque", "Plaque", form="text"),
        ),
        shared=printed_entries(),
    ),
)
