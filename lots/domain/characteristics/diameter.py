"""Filament diameter: two axes per position, means, ovality, flow factors."""

from __future__ import annotations

from dataclasses import replace

from lots.domain.characteristics.cross_section import (
    DiameterReading,
    flow_uncertainties,
)
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
from lots.domain.characteristics.declaring.figures import mean, of_units
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, fewest
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.diameter_checks import doubt_diameter, doubt_turned
from lots.domain.characteristics.lot_diameter import DiameterLimits, around, judge_diameter, judge_spools, summarise
from lots.domain.conformity.limits import Limit
from lots.domain.conformity.rule_versions import SECOND
from lots.domain.words import counted

# Every diameter measured at one position.
_AXES = ("d1_mm", "d2_mm", "d_max_mm", "d_min_mm")


def _assess(case: Case) -> Part:
    readings, limits = case.of("diameter")
    if case.rules <= SECOND:
        readings = [replace(reading, d_max_mm=None, d_min_mm=None) for reading in readings]
    summary = summarise(readings, case.nominal_mm, case.rules)
    if summary is None:
        findings = (
            judge_diameter(None, case.nominal_mm, limits, case.coverage, case.rule, case.estimate) if limits else ()
        )
        return Part(findings=findings, measured=frozenset() if limits else None)
    spools = summary.spools
    kept = {"flow": summary.flow, "spool_flow": summary.spool_flow, **flow_uncertainties(spools, summary.spool_flow)}
    figures = {
        "diameter.mean": of_units([summary.mean_mm(spool) for spool in spools]),
        "diameter.mean_ovality": of_units([mean([r.ovality_mm for r in group]) for group in spools.values()]),
    }
    if not limits or not case.judging:
        return Part(kept=kept, figures=figures)
    return Part(
        findings=judge_diameter(summary, case.nominal_mm, limits, case.coverage, case.rule, case.estimate),
        each=judge_spools(summary, case.nominal_mm, limits, case.rule, estimate=case.estimate),
        measured=frozenset(
            code for code, group in spools.items() if limits.complete(code, group, summary.positions[code])
        ),
        kept=kept,
        figures=figures,
    )


def _reading(taken: Taken) -> DiameterReading:
    d1, d2, position = taken.values["d1_mm"], taken.values["d2_mm"], taken.values.get("position_m")
    turned = (taken.values.get("d_max_mm"), taken.values.get("d_min_mm"))
    return DiameterReading(taken.spool, d1, d2, position, taken.uncertainty, taken.resolution, taken.origin, *turned)


def _says(values: Values) -> str:
    where = "" if values.get("position_m") is None else f" at {values['position_m']:g} m"
    turned = [
        f", {word} {values[name]:g} mm"
        for name, word in (("d_max_mm", "largest"), ("d_min_mm", "smallest"))
        if values.get(name) is not None
    ]
    return f"{values['d1_mm']:g} and {values['d2_mm']:g} mm{''.join(turned)}{where}"


def _doubts(values: Values, nominal_mm: float) -> list[Doubt]:
    stated = [name for name in _AXES if values.get(name) is not None]
    found = [doubt for name in stated if (doubt := doubt_diameter(name, values[name], nominal_mm))]
    return found or doubt_turned(values["d1_mm"], values["d2_mm"], values.get("d_max_mm"), values.get("d_min_mm"))


def _terms(limits: DiameterLimits, nominal_mm: float) -> str:
    least = counted(limits.readings_per_spool_min, "position")
    span = "" if limits.span_min_m is None else f", over at least {limits.span_min_m:g} m"
    return f"Nominal diameter {nominal_mm:g} mm, measured at {least} or more per spool{span}."


def _scales(limits: DiameterLimits, nominal_mm: float, _: ShadeRevision | None) -> list[Scale]:
    """Returns the scales of a single diameter and of ovality."""
    found = []
    if limits.reading_tolerance_mm is not None:
        found.append(Scale(label="Single diameter", limit=around(nominal_mm, limits.reading_tolerance_mm), of=_AXES))
    if limits.ovality_max_mm is not None:
        found.append(Scale(label="Ovality", limit=Limit(None, limits.ovality_max_mm, "mm"), of=_AXES, how="range"))
    return found


DIAMETER = Characteristic(
    name="diameter",
    title="Diameter",
    path="/diameter-readings",
    schema="Diameter",
    summary="Store diameters, two axes per position.",
    about="Two perpendicular diameters at one position.",
    measured_by=BENCH,
    fields=(
        Field("position_m", "metres from the free end", low=0, high=10_000, said="the position"),
        Field("d1_mm", "diameter, mm", needed=True, example=1.748, stand_in=1.75, said="d1"),
        Field(
            "d2_mm",
            "diameter across d1, mm",
            needed=True,
            example=1.752,
            stand_in=1.75,
            said="d2",
        ),
        Field("d_max_mm", "largest diameter found by turning, mm", example=1.756, said="the largest diameter"),
        Field("d_min_mm", "smallest diameter found by turning, mm", example=1.744, said="the smallest diameter"),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    limits=LimitsBlock(
        about="Limits on diameter, in mm.",
        fields=(
            LimitField(
                "mean_tolerance_mm",
                "largest difference of a spool mean from nominal",
                label="Mean of a spool, nominal ±, mm",
                proposal=0.03,
                asks=True,
                above=0,
                high=1,
                example=0.03,
            ),
            LimitField(
                "reading_tolerance_mm",
                "largest difference of a single diameter from nominal",
                label="Single diameter, nominal ±, mm",
                proposal=0.05,
                asks=True,
                above=0,
                high=1,
                example=0.05,
            ),
            LimitField(
                "ovality_max_mm",
                "largest difference of two diameters at one position",
                label="Ovality, at most, mm",
                proposal=0.05,
                asks=True,
                above=0,
                high=1,
            ),
            fewest("readings_per_spool_min", "fewest positions measured on a spool", "Fewest positions per spool", 5),
            LimitField(
                "span_min_m",
                "least distance between the first and the last position of a spool; every reading then needs its position",
                label="Length covered, at least, m",
                above=0,
                high=10_000,
            ),
        ),
        read=lambda block: DiameterLimits(**block),
        terms=_terms,
    ),
    assess=_assess,
    # A finding is on the worst spool or reading; drift charts follow the lot's mean.
    judged=(
        Judged(
            "diameter.spool_mean",
            "Mean diameter of the worst spool",
            follows="diameter.mean",
            of_spool=True,
            covered=True,
        ),
        Judged("diameter.reading", "Single diameter", of_spool=True),
        Judged("diameter.ovality", "Ovality", follows="diameter.mean_ovality", of_spool=True),
    ),
    # Resolution of a micrometer, 0.001 mm. Common practice, no source.
    decimals=3,
    measures=(
        Measure(
            "diameter.mean",
            "Mean diameter",
            "mm",
            "thicker",
            "thinner",
            decimals=4,
            limit=lambda limits, nominal_mm: (
                None if limits.mean_tolerance_mm is None else around(nominal_mm, limits.mean_tolerance_mm)
            ),
            per_spool=True,
            spread=True,
            capable=True,
            forecast=True,
            doubt=lambda value, nominal_mm: doubt_diameter("value", value, nominal_mm),
        ),
        Measure(
            "diameter.mean_ovality",
            "Mean ovality",
            "mm",
            "more oval",
            "rounder",
            decimals=4,
            limit=lambda limits, _: None if limits.ovality_max_mm is None else Limit(None, limits.ovality_max_mm, "mm"),
            plausible=(0, 0.5),
        ),
    ),
    # Diameter varies by hundredths of a millimetre along a spool. Common practice, no source.
    far=Far(
        of=lambda r: [("d1", r.d1_mm, ()), ("d2", r.d2_mm, ())],
        band=within(0.15),
        says="0.15 mm",
        unit="mm",
        field="d1_mm",
    ),
    repeats=Repeats(
        figures=(
            RepeatFigure(
                "diameter.mean",
                "mean of the two axes",
                "mm",
                studied="diameter",
                settles=("diameter.spool_mean",),
                over="spool",
            ),
        ),
        of=lambda reading: [("diameter.mean", reading.mean_mm, (), 1.0)],
    ),
    studied=(Studied("diameter", "diameter", "mm", 0, 10, apart=False),),
    instruments=("micromet", "caliper", "calliper", "laser"),
    kinds=("micrometer", "laser micrometer", "caliper"),
    instrument_unit="mm",
    method="Two perpendicular diameters were measured at each position, and where stated the largest and the smallest by turning. "
    "Single diameters and ovality (the largest difference) are assessed per position. The mean of the perpendicular diameters is assessed "
    "per spool.",
    scales=_scales,
    form=Form(
        "Diameter",
        "Position",
        5,
        (
            Entry("d1_mm", "d1, mm", needed=True),
            Entry("d2_mm", "d2 across d1, mm", needed=True),
            Entry("d_max_mm", "Largest, mm"),
            Entry("d_min_mm", "Smallest, mm"),
            Entry("position_m", "Position, m from the end"),
        ),
        about="At each position measure two diameters at right angles. Then turn the gauge around the filament and enter the largest and the "
        "smallest diameter, since two fixed axes can miss an oval. Spread the positions along the length within reach.",
        first=True,
    ),
)
