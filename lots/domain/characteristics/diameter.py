"""Filament diameter: two axes per position, means, ovality, and what they mean for flow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from lots.domain.characteristics.cross_section import flow_factor
from lots.domain.characteristics.declaring.case import Case, Part, Taken
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
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.characteristics.declaring.plausibility import Doubt, near, slip_of_length
from lots.domain.conformity.findings import Finding, judge, worst
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.summaries import mean_uncertainty, worst_known
from lots.domain.words import counted


@dataclass(frozen=True, slots=True)
class DiameterReading:
    """Two perpendicular diameters (mm) at one position (m from the free end, None if not noted); `uncertainty` and `resolution` of the gauge in mm."""

    spool: str
    d1_mm: float
    d2_mm: float
    position_m: float | None = None
    uncertainty: float | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN

    @property
    def mean_mm(self) -> float:
        """Mean of the two axes, mm."""
        return (self.d1_mm + self.d2_mm) / 2

    @property
    def ovality_mm(self) -> float:
        """Difference of the two axes, mm, >= 0. A mean hides it: 1.84 and 1.66 average to a perfect 1.75."""
        return abs(self.d1_mm - self.d2_mm)

    @property
    def where(self) -> str:
        """Spool and position in words."""
        return f"spool {self.spool}" + ("" if self.position_m is None else f" at {self.position_m:g} m")


@dataclass(frozen=True, slots=True)
class DiameterSummary:
    """Readings per spool, and the flow factor of each spool and of the lot (the mean of the spools')."""

    spools: Mapping[str, tuple[DiameterReading, ...]]
    spool_flow: Mapping[str, float]
    flow: float

    def mean_mm(self, spool: str) -> float:
        """Mean diameter of a spool over positions and axes, mm."""
        readings = self.spools[spool]
        return math.fsum(r.d1_mm + r.d2_mm for r in readings) / (2 * len(readings))


def summarise(readings: Sequence[DiameterReading], nominal_mm: float) -> DiameterSummary | None:
    """Returns readings grouped by spool with their flow factors, or None without readings."""
    if not readings:
        return None
    spools: dict[str, list[DiameterReading]] = {}
    for reading in readings:
        spools.setdefault(reading.spool, []).append(reading)
    flows = {spool: flow_factor(group, nominal_mm) for spool, group in spools.items()}
    return DiameterSummary(
        {s: tuple(group) for s, group in spools.items()}, flows, math.fsum(flows.values()) / len(flows)
    )


@dataclass(frozen=True, slots=True)
class DiameterLimits:
    """What a grade's limits ask of diameter, all in mm; None asks nothing."""

    mean_tolerance_mm: float | None = None
    reading_tolerance_mm: float | None = None
    ovality_max_mm: float | None = None
    readings_per_spool_min: int = 1


def around(nominal_mm: float, tolerance_mm: float) -> Limit:
    """Returns nominal plus and minus a tolerance, in mm, with ends as exact as their decimals: 2.85 - 0.05 is 2.8, not 2.8000000000000003."""
    nominal, tolerance = Decimal(str(nominal_mm)), Decimal(str(tolerance_mm))
    return Limit(float(nominal - tolerance), float(nominal + tolerance), "mm")


def judge_diameter(
    summary: DiameterSummary | None, nominal_mm: float, limits: DiameterLimits, coverage: Coverage, rule: DecisionRule
) -> list[Finding]:
    """Returns the findings on a lot's diameter: the worst spool's mean, the worst single diameter, the worst ovality.

    Args:
        summary: None when nothing was measured.
        nominal_mm: the grade's nominal diameter, mm.

    Notes:
        One complete spool out of tolerance, or one single diameter, is enough to refuse a lot, whatever is still to be measured.
        No mean stands in for a single reading: a walk along the spool and an oval section both vanish in it.
    """
    spools = {} if summary is None else summary.spools
    counts = {spool: len(group) for spool, group in spools.items()}
    lacking = coverage.lacking(counts, limits.readings_per_spool_min, "diameter")
    each = judge_spools(summary, nominal_mm, limits, rule, lacking)
    found = []
    for code, limit in _asked(nominal_mm, limits).items():
        mine = [finding for finding in each if finding.code == code]
        lot = worst(mine) if mine else judge(code, None, limit, rule, n=0, lacking=lacking)
        # A worst single reading was looked for among all of them; a spool's mean rests on its own.
        found.append(lot if code == "diameter.spool_mean" or not mine else replace(lot, n=sum(counts.values())))
    return found


def _asked(nominal_mm: float, limits: DiameterLimits) -> dict[str, Limit]:
    """The limits that are set, by finding code."""
    found = {}
    if limits.mean_tolerance_mm is not None:
        found["diameter.spool_mean"] = around(nominal_mm, limits.mean_tolerance_mm)
    if limits.reading_tolerance_mm is not None:
        found["diameter.reading"] = around(nominal_mm, limits.reading_tolerance_mm)
    if limits.ovality_max_mm is not None:
        found["diameter.ovality"] = Limit(None, limits.ovality_max_mm, "mm")
    return found


def judge_spools(
    summary: DiameterSummary | None, nominal_mm: float, limits: DiameterLimits, rule: DecisionRule, lacking: str = ""
) -> list[Finding]:
    """Returns the findings on each spool by itself, one per limit that is set; none without readings."""
    if summary is None:
        return []
    asked = _asked(nominal_mm, limits)
    found = []
    for spool, group in summary.spools.items():
        if "diameter.spool_mean" in asked:
            found.append(_spool_mean(spool, group, asked["diameter.spool_mean"], limits, rule, lacking))
        if "diameter.reading" in asked:
            singles = [(r, d) for r in group for d in (r.d1_mm, r.d2_mm)]
            found.append(_worst_reading("diameter.reading", singles, asked["diameter.reading"], rule, lacking))
        if "diameter.ovality" in asked:
            ovals = [(r, r.ovality_mm) for r in group]
            found.append(_worst_reading("diameter.ovality", ovals, asked["diameter.ovality"], rule, lacking))
    return found


def _spool_mean(
    spool: str, group: Sequence[DiameterReading], limit: Limit, limits: DiameterLimits, rule: DecisionRule, lacking: str
) -> Finding:
    means = [r.mean_mm for r in group]
    gauge, resolution = worst_known(r.uncertainty for r in group), worst_known(r.resolution for r in group)
    return judge(
        "diameter.spool_mean",
        math.fsum(r.d1_mm + r.d2_mm for r in group) / (2 * len(group)),
        limit,
        rule,
        n=len(group),
        counted="position" if len(group) == 1 else "positions",
        uncertainty=mean_uncertainty(means, gauge, resolution),
        scatter=mean_uncertainty(means, None, resolution),
        subject=f"spool {spool}",
        lacking=lacking,
        conclusive=len(group) >= limits.readings_per_spool_min,
        spool=spool,
    )


def _worst_reading(
    code: str, values: list[tuple[DiameterReading, float]], limit: Limit, rule: DecisionRule, lacking: str
) -> Finding:
    # The gauge reads both axes, so a difference of two readings is sqrt(2) times as uncertain as one.
    widen = math.sqrt(2) if code == "diameter.ovality" else 1.0
    n = len({id(reading) for reading, _ in values})
    # Of values that are equally uncertain only the one nearest to its limit, or furthest beyond, can be the worst.
    nearest: dict[float | None, tuple[float, int]] = {}
    for place, (reading, value) in enumerate(values):
        here = (limit.margin(value), place)
        nearest[reading.uncertainty] = min(here, nearest.get(reading.uncertainty, here))
    return worst(
        [
            judge(
                code,
                value,
                limit,
                rule,
                n=n,
                counted="position" if n == 1 else "positions",
                uncertainty=None if reading.uncertainty is None else widen * reading.uncertainty,
                subject=f"worst, {reading.where}",
                lacking=lacking,
                conclusive=True,
                spool=reading.spool,
                single=True,
            )
            for reading, value in (values[place] for place in sorted(place for _, place in nearest.values()))
        ]
    )


def doubt_diameter(field: str, value_mm: float, nominal_mm: float) -> Doubt | None:
    """Returns a doubt when a diameter cannot be filament of this nominal size.

    Args:
        value_mm: as entered, mm.
        nominal_mm: the grade's nominal diameter, mm.

    Example:
        >>> doubt_diameter("d1_mm", 0.0689, 1.75).hint
        'This looks like inches: 0.0689 in is 1.750 mm. Enter millimetres.'
    """
    if near(value_mm, nominal_mm):
        return None
    detail = f"{value_mm:g} mm is not a plausible diameter for filament of nominal {nominal_mm:g} mm."
    if slip := slip_of_length(value_mm, nominal_mm):
        return Doubt(field, detail, slip)
    for size in (1.75, 2.85):
        if size != nominal_mm and near(value_mm, size, 0.1):
            return Doubt(
                field,
                detail,
                f"This looks like {size:g} mm filament. Is it the right spool, and is the grade's nominal diameter right?",
            )
    return Doubt(field, detail, "Measure again; a dent or a kink is not the filament.")


def _assess(case: Case) -> Part:
    readings, limits = case.of("diameter")
    summary = summarise(readings, case.nominal_mm)
    if summary is None:
        findings = judge_diameter(None, case.nominal_mm, limits, case.coverage, case.rule) if limits else ()
        return Part(findings=findings, measured=frozenset() if limits else None)
    spools = summary.spools
    kept = {"flow": summary.flow, "spool_flow": summary.spool_flow}
    figures = {
        "diameter.mean": of_units([summary.mean_mm(spool) for spool in spools]),
        "diameter.mean_ovality": of_units([mean([r.ovality_mm for r in group]) for group in spools.values()]),
    }
    if not limits or not case.judging:
        return Part(kept=kept, figures=figures)
    return Part(
        findings=judge_diameter(summary, case.nominal_mm, limits, case.coverage, case.rule),
        each=judge_spools(summary, case.nominal_mm, limits, case.rule),
        measured=frozenset(code for code, group in spools.items() if len(group) >= limits.readings_per_spool_min),
        kept=kept,
        figures=figures,
    )


def _reading(taken: Taken) -> DiameterReading:
    d1, d2, position = taken.values["d1_mm"], taken.values["d2_mm"], taken.values.get("position_m")
    return DiameterReading(taken.spool, d1, d2, position, taken.uncertainty, taken.resolution, taken.origin)


def _says(values: Values) -> str:
    where = "" if values.get("position_m") is None else f" at {values['position_m']:g} m"
    return f"{values['d1_mm']:g} and {values['d2_mm']:g} mm{where}"


def _doubts(values: Values, nominal_mm: float) -> list[Doubt]:
    found = (doubt_diameter(name, values[name], nominal_mm) for name in ("d1_mm", "d2_mm"))
    return [doubt for doubt in found if doubt]


def _terms(limits: DiameterLimits, nominal_mm: float) -> str:
    least = counted(limits.readings_per_spool_min, "position")
    return f"Diameter nominally {nominal_mm:g} mm, read at {least} or more per spool."


DIAMETER = Characteristic(
    name="diameter",
    title="Diameter",
    path="/diameter-readings",
    schema="Diameter",
    summary="Store diameters, two axes at each position.",
    about="Two perpendicular diameters at one position.",
    measured_by=BENCH,
    fields=(
        Field("position_m", "metres from the free end", low=0, high=10_000, said="the position"),
        Field("d1_mm", "mm", answered="diameter, mm", needed=True, example=1.748, stand_in=1.75, said="d1"),
        Field(
            "d2_mm",
            "mm, across d1",
            answered="diameter across d1, mm",
            needed=True,
            example=1.752,
            stand_in=1.75,
            said="d2",
        ),
    ),
    reading=_reading,
    says=_says,
    doubts=_doubts,
    limits=LimitsBlock(
        about="Limits on diameter, in mm.",
        fields=(
            LimitField(
                "mean_tolerance_mm", "most that a spool's mean may differ from nominal, mm", asks=True, above=0, high=1
            ),
            LimitField(
                "reading_tolerance_mm",
                "most that any single diameter may differ from nominal, mm",
                asks=True,
                above=0,
                high=1,
            ),
            LimitField("ovality_max_mm", "most between the two axes at one position, mm", asks=True, above=0, high=1),
            fewest("readings_per_spool_min", "fewest positions read on a spool"),
        ),
        read=lambda block: DiameterLimits(**block),
        terms=_terms,
    ),
    assess=_assess,
    # A finding judges the worst spool or reading; what drifts is the lot's mean of the same thing.
    judged=(
        Judged("diameter.spool_mean", "Spool's mean diameter", follows="diameter.mean", of_spool=True, covered=True),
        Judged("diameter.reading", "Single diameter", of_spool=True),
        Judged("diameter.ovality", "Ovality", follows="diameter.mean_ovality", of_spool=True),
    ),
    # A micrometer reads 0.001 mm (common practice, no source).
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
        ),
        Measure(
            "diameter.mean_ovality",
            "Mean ovality",
            "mm",
            "more oval",
            "rounder",
            decimals=4,
            limit=lambda limits, _: None if limits.ovality_max_mm is None else Limit(None, limits.ovality_max_mm, "mm"),
        ),
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
    instrument_unit="mm",
    method="Two perpendicular diameters were read at each position along the filament. A single diameter and the ovality (the "
    "difference of the two) are judged position by position, a spool's mean over all its positions.",
    form=Form(
        "Diameter",
        "Position",
        5,
        (
            Entry("d1_mm", "d1, mm", needed=True),
            Entry("d2_mm", "d2 across it, mm", needed=True),
            Entry("position_m", "at, m from the end"),
        ),
        about="At each position measure twice, the second time turned by a quarter.",
        first=True,
    ),
)
