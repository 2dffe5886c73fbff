"""Diameter of a lot: spool means, single readings and ovality, each compared with its limit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from lots.domain.characteristics.cross_section import (
    DiameterReading,
    flow_factor,
    positions_read,
)
from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.limit_fields import FEWEST
from lots.domain.characteristics.declaring.spool_means import findings_on, spool_means
from lots.domain.characteristics.diameter_checks import positions, span_lacking
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.conformity.rule_versions import CURRENT
from lots.domain.receiving.coverage import Coverage
from lots.domain.uncertainty.budget import Uncertainty
from lots.domain.uncertainty.length import Length
from lots.domain.words import plural


@dataclass(frozen=True, slots=True)
class DiameterSummary:
    """Readings, flow factors and numbers of positions per spool; `flow` of the lot is the mean over spools."""

    spools: Mapping[str, tuple[DiameterReading, ...]]
    spool_flow: Mapping[str, float]
    flow: float
    positions: Mapping[str, int]

    def mean_mm(self, spool: str) -> float:
        """Returns the mean diameter of a spool over positions and axes, mm."""
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
    """Limits on diameter, mm; None: no limit. `span_min_m` is the least distance between the first and the last position of a spool, m."""

    mean_tolerance_mm: float | None = None
    reading_tolerance_mm: float | None = None
    ovality_max_mm: float | None = None
    readings_per_spool_min: int = FEWEST
    span_min_m: float | None = None

    def count(self, group: Sequence[DiameterReading], read: int) -> int:
        """Returns how many of the `read` positions of a spool count: with a required span, only stated ones."""
        return read if self.span_min_m is None else len(positions(group))

    def complete(self, spool: str, group: Sequence[DiameterReading], read: int) -> bool:
        """Returns whether a spool was measured at enough positions and over the required length."""
        enough = self.count(group, read) >= self.readings_per_spool_min
        return enough and not span_lacking({spool: group}, self.span_min_m)


def around(nominal_mm: float, tolerance_mm: float) -> Limit:
    """Returns nominal plus and minus a tolerance, mm, in decimal arithmetic: 2.85 - 0.05 is 2.8, not 2.8000000000000003."""
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
    """Returns the findings on a lot's diameter: the worst spool mean, the worst single diameter, the worst ovality.

    Args:
        summary: None when nothing was measured.
        nominal_mm: the grade's nominal diameter, mm.
        limits: on diameter.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        estimate: method and earlier data for the uncertainty of means.

    Notes:
        One complete spool or one single diameter out of tolerance fails the lot, even with incomplete readings. A mean does not replace
        single readings, since it hides drift along the spool and ovality.
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
        lot = worst(mine) if mine else unmeasured(code, limit, rule, lacking)
        # The worst single reading is the worst of all readings; a spool's mean has only its own.
        found.append(lot if code == "diameter.spool_mean" or not mine else replace(lot, n=sum(counts.values())))
    return found


def _asked(nominal_mm: float, limits: DiameterLimits) -> dict[str, Limit]:
    """Returns the limits by finding code."""
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
    """Returns the findings on each spool, one per limit; an empty list without readings."""
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
    readings = [reading for group in summary.spools.values() for reading in group]
    means = spool_means(readings, lambda reading: reading.mean_mm, "diameter.mean", estimate)

    def todo(spool: str) -> ToDo:
        return ToDo(lacking, conclusive=limits.complete(spool, summary.spools[spool], summary.positions[spool]))

    return findings_on("diameter.spool_mean", means, limit, rule, todo, "position")


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
    # Among values of equal uncertainty only the one with the least margin can be the worst.
    nearest: dict[tuple[float | None, ...], tuple[float, int]] = {}
    for place, (reading, value) in enumerate(values):
        here, known = (limit.margin(value), place), (reading.uncertainty, reading.resolution)
        nearest[known] = min(here, nearest.get(known, here))
    return worst(
        [
            judge(
                code,
                Measured(
                    value,
                    n,
                    plural(n, "position"),
                    uncertainty=uncertain(reading, value, estimate),
                    looked_at=len(values),
                    single=True,
                ),
                limit,
                rule,
                subject=f"worst, {reading.where}",
                spool=reading.spool,
                todo=ToDo(lacking, conclusive=True),
            )
            for reading, value in (values[place] for place in sorted(place for _, place in nearest.values()))
        ]
    )


def _single(reading: DiameterReading, _: float, estimate: Estimate) -> Uncertainty | None:
    if reading.uncertainty is None:
        return None
    return estimate.single(Instrument(reading.uncertainty, reading.resolution))


def _oval(reading: DiameterReading, ovality_mm: float, estimate: Estimate) -> Uncertainty | Length | None:
    """Returns the uncertainty of an ovality: sqrt(2) times that of one axis, as a length, which noise increases."""
    one = _single(reading, ovality_mm, estimate)
    if one is None or one.total <= BINARY_NOISE:
        return one
    both = one.scaled(math.sqrt(2))
    return Length(ovality_mm, both) if estimate.lengths else both
