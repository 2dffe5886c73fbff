"""Filament diameter: two axes per position, means, ovality, and what they mean for flow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from lots.domain.conformity.limits import DecisionRule, Finding, Limit, judge, worst
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.summaries import mean_uncertainty, worst_known


@dataclass(frozen=True, slots=True)
class DiameterReading:
    """Two perpendicular diameters (mm) at one position (m from the free end, None if not noted); `uncertainty` and `resolution` of the gauge in mm."""

    spool: str
    d1_mm: float
    d2_mm: float
    position_m: float | None = None
    uncertainty: float | None = None
    resolution: float | None = None

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


def area_mm2(d1_mm: float, d2_mm: float) -> float:
    """Returns the cross-section of an ellipse with axes `d1_mm` and `d2_mm`, in mm2.

    Args:
        d1_mm, d2_mm: perpendicular diameters, mm, > 0.

    Reference:
        Area of an ellipse, pi d1 d2 / 4.

    Example:
        >>> round(area_mm2(1.75, 1.75), 6)
        2.405282
    """
    return math.pi * d1_mm * d2_mm / 4


def flow_factor(readings: Sequence[DiameterReading], nominal_mm: float) -> float:
    """Returns nominal cross-section over measured: what to multiply the slicer's flow by. Above 1 for thin filament.

    Args:
        readings: at least one.
        nominal_mm: diameter the slicer was told, mm, > 0.

    Reference:
        Equal volume per length fed; area of an ellipse, averaged over the positions.

    Example:
        >>> round(flow_factor([DiameterReading("S", 1.8, 1.65)], 1.75), 6)
        1.031145
    """
    measured = math.fsum(area_mm2(r.d1_mm, r.d2_mm) for r in readings) / len(readings)
    return area_mm2(nominal_mm, nominal_mm) / measured


def length_m(mass_g: float, density_g_cm3: float, d1_mm: float, d2_mm: float | None = None) -> float:
    """Returns the length of filament in `mass_g`, in m.

    Args:
        mass_g: net mass, g, >= 0.
        density_g_cm3: g/cm3, > 0.
        d1_mm, d2_mm: diameters, mm; a round section when only one is given.

    Notes:
        mm2 times g/cm3 is g/m, so no factor is needed.

    Example:
        >>> round(length_m(1000, 1.24, 1.75), 3)
        335.284
    """
    return mass_g / (density_g_cm3 * area_mm2(d1_mm, d1_mm if d2_mm is None else d2_mm))


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
    spool: str,
    group: Sequence[DiameterReading],
    limit: Limit,
    limits: DiameterLimits,
    rule: DecisionRule,
    lacking: str,
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
