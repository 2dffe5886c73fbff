"""Filament diameter: two axes per position, means, ovality, and what they mean for flow."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from lots.domain.limits import DecisionRule, Finding, Limit, judge, worst
from lots.domain.sampling import Coverage
from lots.domain.stats import mean_uncertainty


@dataclass(frozen=True, slots=True)
class DiameterReading:
    """Two perpendicular diameters (mm) at one position (m from the free end, None if not noted); `uncertainty` of the gauge in mm."""

    spool: str
    d1_mm: float
    d2_mm: float
    position_m: float | None = None
    uncertainty: float | None = None

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
    lacking = coverage.lacking(
        {s: len(group) for s, group in spools.items()}, limits.readings_per_spool_min, "diameter"
    )
    every = [reading for group in spools.values() for reading in group]
    found = []
    if limits.mean_tolerance_mm is not None:
        limit = around(nominal_mm, limits.mean_tolerance_mm)
        means = (
            [_spool_mean(s, summary.mean_mm(s), group, limit, limits, rule, lacking) for s, group in spools.items()]
            if summary
            else []
        )
        found.append(worst(means) if means else judge("diameter.spool_mean", None, limit, rule, n=0, lacking=lacking))
    if limits.reading_tolerance_mm is not None:
        limit = around(nominal_mm, limits.reading_tolerance_mm)
        found.append(
            _worst_reading(
                "diameter.reading",
                [(r, d) for r in every for d in (r.d1_mm, r.d2_mm)],
                limit,
                len(every),
                rule,
                lacking,
            )
        )
    if limits.ovality_max_mm is not None:
        limit = Limit(None, limits.ovality_max_mm, "mm")
        found.append(
            _worst_reading("diameter.ovality", [(r, r.ovality_mm) for r in every], limit, len(every), rule, lacking)
        )
    return found


def _spool_mean(
    spool: str,
    mean: float,
    group: Sequence[DiameterReading],
    limit: Limit,
    limits: DiameterLimits,
    rule: DecisionRule,
    lacking: str,
) -> Finding:
    gauges = [r.uncertainty for r in group if r.uncertainty is not None]
    u = mean_uncertainty([r.mean_mm for r in group], max(gauges) if len(gauges) == len(group) else None)
    return judge(
        "diameter.spool_mean",
        mean,
        limit,
        rule,
        n=len(group),
        counted="position" if len(group) == 1 else "positions",
        uncertainty=u,
        subject=f"spool {spool}",
        lacking=lacking,
        conclusive=len(group) >= limits.readings_per_spool_min,
    )


def _worst_reading(
    code: str, values: list[tuple[DiameterReading, float]], limit: Limit, n: int, rule: DecisionRule, lacking: str
) -> Finding:
    if not values:
        return judge(code, None, limit, rule, n=0, lacking=lacking)
    # The gauge reads both axes, so a difference of two readings is sqrt(2) times as uncertain as one.
    widen = math.sqrt(2) if code == "diameter.ovality" else 1.0
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
            )
            for reading, value in values
        ]
    )
