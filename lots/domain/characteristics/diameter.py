"""Filament diameter: two axes per position, means, ovality, and what they mean for flow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from lots.domain.characteristics.cross_section import (
    DiameterReading,
    flow_factor,
    flow_uncertainties,
    positions_read,
)
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
from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.figures import mean, of_units
from lots.domain.characteristics.declaring.limit_fields import LimitField, LimitsBlock, fewest
from lots.domain.characteristics.declaring.neighbours import Far, within
from lots.domain.characteristics.declaring.plausibility import Doubt
from lots.domain.characteristics.diameter_checks import doubt_diameter, doubt_turned, positions, span_lacking
from lots.domain.conformity.findings import Finding, judge, worst
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.conformity.rule_versions import CURRENT, SECOND
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.length import Length
from lots.domain.statistics.uncertainty import Uncertainty
from lots.domain.words import counted


@dataclass(frozen=True, slots=True)
class DiameterSummary:
    """Readings per spool, the flow factor of each spool and of the lot (the mean of the spools'), and at how many positions each was read."""

    spools: Mapping[str, tuple[DiameterReading, ...]]
    spool_flow: Mapping[str, float]
    flow: float
    positions: Mapping[str, int]

    def mean_mm(self, spool: str) -> float:
        """Mean diameter of a spool over positions and axes, mm."""
        readings = self.spools[spool]
        return math.fsum(r.d1_mm + r.d2_mm for r in readings) / (2 * len(readings))


def summarise(readings: Sequence[DiameterReading], nominal_mm: float, rules: int = CURRENT) -> DiameterSummary | None:
    """Returns readings grouped by spool with their flow factors, or None without readings."""
    if not readings:
        return None
    spools: dict[str, list[DiameterReading]] = {}
    for reading in readings:
        spools.setdefault(reading.spool, []).append(reading)
    flows = {spool: flow_factor(group, nominal_mm) for spool, group in spools.items()}
    read = {spool: positions_read(group, rules) for spool, group in spools.items()}
    groups = {spool: tuple(group) for spool, group in spools.items()}
    return DiameterSummary(groups, flows, math.fsum(flows.values()) / len(flows), read)


@dataclass(frozen=True, slots=True)
class DiameterLimits:
    """What a grade's limits ask of diameter, in mm; None asks nothing. `span_min_m` is the least distance between the first and the last position of a spool, m."""

    mean_tolerance_mm: float | None = None
    reading_tolerance_mm: float | None = None
    ovality_max_mm: float | None = None
    readings_per_spool_min: int = 1
    span_min_m: float | None = None

    def count(self, group: Sequence[DiameterReading], read: int) -> int:
        """How many of the `read` positions of a spool count: where the span is asked for, those that are stated."""
        return read if self.span_min_m is None else len(positions(group))

    def complete(self, spool: str, group: Sequence[DiameterReading], read: int) -> bool:
        """True when a spool was read at enough positions, and over the length that is asked for."""
        enough = self.count(group, read) >= self.readings_per_spool_min
        return enough and not span_lacking({spool: group}, self.span_min_m)


def around(nominal_mm: float, tolerance_mm: float) -> Limit:
    """Returns nominal plus and minus a tolerance, in mm, with ends as exact as their decimals: 2.85 - 0.05 is 2.8, not 2.8000000000000003."""
    nominal, tolerance = Decimal(str(nominal_mm)), Decimal(str(tolerance_mm))
    return Limit(float(nominal - tolerance), float(nominal + tolerance), "mm")


def judge_diameter(
    summary: DiameterSummary | None,
    nominal_mm: float,
    limits: DiameterLimits,
    coverage: Coverage,
    rule: DecisionRule,
    estimate: Estimate = OWN,
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
    counting = (
        {spool: limits.count(group, summary.positions[spool]) for spool, group in spools.items()} if summary else {}
    )
    lacking = coverage.lacking(counting, limits.readings_per_spool_min, "diameter")
    lacking = "; ".join(part for part in (lacking, span_lacking(spools, limits.span_min_m)) if part)
    each = judge_spools(summary, nominal_mm, limits, rule, lacking, estimate)
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
    summary: DiameterSummary | None,
    nominal_mm: float,
    limits: DiameterLimits,
    rule: DecisionRule,
    lacking: str = "",
    estimate: Estimate = OWN,
) -> list[Finding]:
    """Returns the findings on each spool by itself, one per limit that is set; none without readings."""
    if summary is None:
        return []
    asked, found = _asked(nominal_mm, limits), []
    if "diameter.spool_mean" in asked:
        found += _judge_means(summary, asked["diameter.spool_mean"], limits, rule, lacking, estimate)
    for group in summary.spools.values():
        if "diameter.reading" in asked:
            singles = [(r, d) for r in group for d in r.diameters]
            found.append(
                _worst_reading("diameter.reading", singles, asked["diameter.reading"], rule, lacking, estimate)
            )
        if "diameter.ovality" in asked:
            ovals = [(r, r.ovality_mm) for r in group]
            found.append(_worst_reading("diameter.ovality", ovals, asked["diameter.ovality"], rule, lacking, estimate))
    return found


def _judge_means(
    summary: DiameterSummary,
    limit: Limit,
    limits: DiameterLimits,
    rule: DecisionRule,
    lacking: str,
    estimate: Estimate,
) -> list[Finding]:
    spools = summary.spools
    rows = {spool: [[r.mean_mm] for r in group] for spool, group in spools.items()}
    known = estimate.of_spools(("diameter.mean",), rows, {spool: Instrument.of(some) for spool, some in spools.items()})
    return [
        judge(
            "diameter.spool_mean",
            summary.mean_mm(spool),
            limit,
            rule,
            n=len(group),
            counted="position" if len(group) == 1 else "positions",
            uncertainty=u[0] if (u := known[spool]) else None,
            looked_at=len(spools),
            subject=f"spool {spool}",
            lacking=lacking,
            conclusive=limits.complete(spool, group, summary.positions[spool]),
            spool=spool,
        )
        for spool, group in spools.items()
    ]


def _worst_reading(
    code: str,
    values: list[tuple[DiameterReading, float]],
    limit: Limit,
    rule: DecisionRule,
    lacking: str,
    estimate: Estimate,
) -> Finding:
    uncertain = _oval if code == "diameter.ovality" else _single
    n = len({id(reading) for reading, _ in values})
    # Of values that are equally uncertain only the one nearest to its limit, or furthest beyond, can be the worst.
    nearest: dict[tuple[float | None, ...], tuple[float, int]] = {}
    for place, (reading, value) in enumerate(values):
        here, known = (limit.margin(value), place), (reading.uncertainty, reading.resolution)
        nearest[known] = min(here, nearest.get(known, here))
    return worst(
        [
            judge(
                code,
                value,
                limit,
                rule,
                n=n,
                counted="position" if n == 1 else "positions",
                uncertainty=uncertain(reading, value, estimate),
                looked_at=len(values),
                subject=f"worst, {reading.where}",
                lacking=lacking,
                conclusive=True,
                spool=reading.spool,
                single=True,
            )
            for reading, value in (values[place] for place in sorted(place for _, place in nearest.values()))
        ]
    )


def _single(reading: DiameterReading, _: float, estimate: Estimate) -> Uncertainty | None:
    if reading.uncertainty is None:
        return None
    return estimate.single(Instrument(reading.uncertainty, reading.resolution))


def _oval(reading: DiameterReading, ovality_mm: float, estimate: Estimate) -> Uncertainty | Length | None:
    """The gauge reads both axes, so that their difference is sqrt(2) times as uncertain as one; and it is a length, which noise makes larger."""
    one = _single(reading, ovality_mm, estimate)
    if one is None or one.total <= BINARY_NOISE:
        return one
    both = one.scaled(math.sqrt(2))
    # Axes that read alike may differ by a step.
    return Length(max(ovality_mm, reading.resolution or 0.0), both) if estimate.lengths else both


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
    stated = [name for name in ("d1_mm", "d2_mm", "d_max_mm", "d_min_mm") if values.get(name) is not None]
    found = [doubt for name in stated if (doubt := doubt_diameter(name, values[name], nominal_mm))]
    return found or doubt_turned(values["d1_mm"], values["d2_mm"], values.get("d_max_mm"), values.get("d_min_mm"))


def _terms(limits: DiameterLimits, nominal_mm: float) -> str:
    least = counted(limits.readings_per_spool_min, "position")
    span = "" if limits.span_min_m is None else f", over at least {limits.span_min_m:g} m"
    return f"Diameter nominally {nominal_mm:g} mm, read at {least} or more per spool{span}."


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
                "mean_tolerance_mm", "most that a spool's mean may differ from nominal, mm", asks=True, above=0, high=1
            ),
            LimitField(
                "reading_tolerance_mm",
                "most that any single diameter may differ from nominal, mm",
                asks=True,
                above=0,
                high=1,
            ),
            LimitField("ovality_max_mm", "most between two diameters at one position, mm", asks=True, above=0, high=1),
            fewest("readings_per_spool_min", "fewest positions read on a spool"),
            LimitField(
                "span_min_m",
                "least distance between the first and the last position of a spool, m; positions must be stated then",
                above=0,
                high=10_000,
            ),
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
    # Filament varies by hundredths of a millimetre along a spool. Common practice, no source.
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
    instrument_unit="mm",
    method="Two perpendicular diameters were read at each position along the filament, and the largest and the smallest where they were "
    "found by turning. A single diameter and the ovality (the largest difference) are judged position by position, a spool's mean of the "
    "two perpendicular ones over all its positions.",
    form=Form(
        "Diameter",
        "Position",
        5,
        (
            Entry("d1_mm", "d1, mm", needed=True),
            Entry("d2_mm", "d2 across it, mm", needed=True),
            Entry("d_max_mm", "Largest, mm"),
            Entry("d_min_mm", "Smallest, mm"),
            Entry("position_m", "at, m from the end"),
        ),
        about="At each position measure twice, the second time turned by a quarter. Then turn the gauge around the filament and enter the "
        "largest and the smallest diameter: two fixed axes can miss an oval. Spread the positions along what you can reach of the spool.",
        first=True,
    ),
)
