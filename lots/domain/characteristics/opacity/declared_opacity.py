"""Declaration of opacity: readings, limits, findings, figures, form and labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lots.domain.characteristics.declaring.case import Case, Part, Taken
from lots.domain.characteristics.declaring.declaration import (
    BENCH,
    Characteristic,
    Entry,
    Field,
    Form,
    Judged,
    Measure,
    Repeats,
    Values,
    WorkedOut,
)
from lots.domain.characteristics.declaring.figures import by_spool, mean, of_units
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.origin import of_the_lot
from lots.domain.characteristics.declaring.plausibility import Doubt, doubt_lab
from lots.domain.characteristics.declaring.printing import by_test_print, printed_entries, printed_fields
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.opacity.lot_opacity import (
    OpacityLimits,
    OpacityReading,
    contrast_ratio,
    judge_opacity,
    opacity,
    suspect_opacity,
)
from lots.domain.colorimetry.color_values import Lab
from lots.domain.colorimetry.tristimulus import luminous_reflectance
from lots.domain.words import counted, plural


def _assess(case: Case) -> Part:
    recorded, limits = case.of("opacity")
    readings = [reading for reading in recorded if limits is None or limits.counts(reading)]
    figures, notes = {}, []
    if left := len(recorded) - len(readings):
        does = plural(left, "does", "do")
        notes.append(f"{counted(left, 'reading')} of opacity {does} not count, since {_thickness_asked(limits)}.")
    if readings:
        single = [mean([plaque.found.ratio for plaque in group]) for group in by_spool(readings).values()]
        figures["opacity.contrast_ratio"] = of_units(single)
    return Part(
        findings=judge_opacity(readings, limits, case.rule, case.estimate) if limits else (),
        figures=figures,
        notes=notes,
    )


def _thickness_asked(limits: OpacityLimits) -> str:
    return f"the limit applies to plaques of {limits.thickness_mm:g} mm, within 5 %"


def _reading(taken: Taken) -> OpacityReading:
    black, white = (Lab(*taken.values[name]) for name in _BOTH)
    thickness = taken.values.get("thickness_mm")
    known = (taken.measured_at, taken.uncertainty, taken.resolution, taken.origin, thickness)
    return OpacityReading(taken.spool, black, white, *known)


def _says(values: Values) -> str:
    black, white = (values[name][0] for name in _BOTH)
    thick = f", {values['thickness_mm']:g} mm thick" if values.get("thickness_mm") is not None else ""
    return f"contrast ratio {values['contrast_ratio']:.4f}, L* {black:g} over black, L* {white:g} over white{thick}"


def _ratio(over_black: Sequence[float], over_white: Sequence[float]) -> float:
    return contrast_ratio(luminous_reflectance(over_black[0]), luminous_reflectance(over_white[0]))


def _doubts(values: Values, _: float) -> list[Doubt]:
    """Returns doubts about each colour and about the pair. The UV condition is unknown, so L* above 100 is accepted."""
    found = [replace(doubt, field=name) for name in _BOTH if (doubt := doubt_lab(values[name], "included"))]
    if found:
        return found
    try:
        opacity(Lab(*values["over_black"]), Lab(*values["over_white"]))
    except ValueError as wrong:
        hint = "Measure the same place over black and over white, and check whether the two were swapped."
        found.append(Doubt("over_black", f"{str(wrong)[:1].upper()}{str(wrong)[1:]}.", hint))
    return found


def _field(name: str, example: list[float]) -> Field:
    backing = name.removeprefix("over_")
    return Field(
        name,
        type="lab",
        answered=f"L*, a*, b* over {backing}",
        needed=True,
        example=example,
        stand_in=[50.0, 0.0, 0.0],
        together=_BOTH,
        said=f"the colour over {backing}",
    )


_BOTH = ("over_black", "over_white")


def _scales(limits: OpacityLimits, _: float, __: object) -> list[Scale]:
    def ratio(values: Values) -> float | None:
        return values.get("contrast_ratio")

    scale = Scale(
        label="Contrast ratio",
        limit=limits.limit,
        of=("white_b",),
        how="computed",
        work_out=ratio,
        holds_for="the mean of a spool",
        decimals=4,
    )
    return [scale]


OPACITY = Characteristic(
    name="opacity",
    title="Opacity",
    path="/opacity-readings",
    schema="Opacity",
    summary="Store opacity. Colours of a lot that is not opaque then need the backing of the reference.",
    about="One place of a printed plaque, measured over black and over white.",
    measured_by=BENCH,
    fields=(
        _field("over_black", [94.7, -0.8, 1.3]),
        _field("over_white", [95.0, -0.8, 1.5]),
        Field("thickness_mm", "thickness of the plaque, mm", low=0.1, high=20, example=2.0, said="the thickness"),
        *printed_fields("the plaque"),
    ),
    worked_out=(WorkedOut("contrast_ratio", _BOTH, _ratio, about="Y over black divided by Y over white"),),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    printed=True,
    of_lot=of_the_lot,
    comparable=lambda reading, limits, _: reading if limits is None or limits.counts(reading) else None,
    not_comparable="not measured on a plaque of the required thickness",
    compared_by="thickness_mm",
    suspect=lambda values: suspect_opacity(Lab(*values["over_black"]), Lab(*values["over_white"])),
    limits=LimitsBlock(
        about="Limit on opacity.",
        fields=(
            LimitField(
                "contrast_ratio_min",
                "luminance Y over black divided by Y over white, 1 for an opaque plaque",
                label="Contrast ratio, at least",
                proposal=0.98,
                source="From memory: ASTM D2805 takes 0.98 as complete hiding of a paint film",
                needed=True,
                above=0,
                high=1,
                hint="Write 0.98 for 98 %.",
            ),
            LimitField(
                "thickness_mm",
                "required thickness of plaques; readings of a thickness beyond 5 % of it do not count",
                label="Thickness of plaques, mm",
                low=0.1,
                high=20,
            ),
            by_test_print(),
        ),
        read=lambda block: OpacityLimits(**block),
    ),
    assess=_assess,
    spools_min=1,
    judged=(Judged("opacity.contrast_ratio", "Contrast ratio"),),
    measures=(
        Measure(
            "opacity.contrast_ratio",
            "Contrast ratio",
            "",
            "more opaque",
            "more translucent",
            decimals=4,
            limit=lambda limits, _: limits.limit,
            plausible=(0, 1.05),
        ),
    ),
    # Contrast ratios of a lot differ by less than 0.1. Common practice, no source.
    far=Far(of=lambda reading: [("the contrast ratio", reading.found.ratio, ())], band=within(0.1), says="0.1"),
    repeats=Repeats(none="Only the newest reading counts. Earlier readings are no repeats."),
    # The instruments for colour.
    instruments=("spectro", "colorimet", "colourimet"),
    kinds=("spectrophotometer", "colorimeter"),
    instrument_unit="per coordinate",
    method="A printed plaque was measured over black and over white at the same place. The contrast ratio is the luminous reflectance over "
    "black divided by that over white (ISO 6504-3).",
    scales=_scales,
    form=Form(
        "Opacity",
        "Place",
        2,
        tuple(
            Entry(f"{backing}_{axis}", f"{axis}* over {backing}", needed=True, part_of=f"over_{backing}")
            for backing in ("black", "white")
            for axis in "Lab"
        ),
        shared=(Entry("thickness_mm", "Thickness of the plaque, mm"), *printed_entries()),
        about="Measure the same place of a plaque over black, then over white.",
    ),
)
