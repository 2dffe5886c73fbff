"""Colour of a lot: readings averaged in CIELAB, judged against the approved shade and the last accepted lot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.color import Components, components, delta_e, mean_difference_from_mean
from lots.domain.limits import DecisionRule, Finding, Limit, judge, worst
from lots.domain.sampling import Coverage
from lots.domain.stats import Vector, standard_error
from lots.domain.values import Conditions, Lab, mean_lab, nearest_lab


@dataclass(frozen=True, slots=True)
class ColorReading:
    """One reading of one printed plaque. `uncertainty` is the instrument's standard uncertainty per coordinate, None if unknown."""

    spool: str
    lab: Lab
    conditions: Conditions
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class ColorSummary:
    """Colours of a lot: `spools` maps spool to (mean, number of readings); `lot` is the mean of the spools' means."""

    lot: Lab
    spools: Mapping[str, tuple[Lab, int]]
    spool_uncertainty: Mapping[str, Vector | None]
    lot_uncertainty: Vector | None

    @property
    def n(self) -> int:
        """Readings in all."""
        return sum(n for _, n in self.spools.values())


def summarise(readings: Sequence[ColorReading]) -> ColorSummary | None:
    """Returns the means per spool and of the lot, or None without readings.

    Readings are averaged in CIELAB per spool, spools per lot: a spool with many readings weighs no more than another.
    Averaging colour differences instead would never come to zero, since a difference has no sign.

    Notes:
        Uncertainty of a mean: scatter / sqrt(n) of its parts, combined with the instrument's own. With one spool the lot's is
        that of the spool. None where neither two parts nor an instrument is there to tell.
    """
    if not readings:
        return None
    by_spool: dict[str, list[ColorReading]] = {}
    for reading in readings:
        by_spool.setdefault(reading.spool, []).append(reading)
    spools = {spool: (mean_lab([r.lab for r in group]), len(group)) for spool, group in by_spool.items()}
    instrument = _instrument(readings)
    spool_uncertainty = {
        spool: standard_error([r.lab.as_list() for r in group], _instrument(group)) for spool, group in by_spool.items()
    }
    means = [mean for mean, _ in spools.values()]
    if len(means) > 1:
        lot_uncertainty = standard_error([mean.as_list() for mean in means], instrument)
    else:
        lot_uncertainty = next(iter(spool_uncertainty.values()))
    return ColorSummary(mean_lab(means), spools, spool_uncertainty, lot_uncertainty)


def _instrument(readings: Sequence[ColorReading]) -> float | None:
    known = [r.uncertainty for r in readings if r.uncertainty is not None]
    return max(known) if len(known) == len(readings) else None


@dataclass(frozen=True, slots=True)
class ColorLimits:
    """What a grade's limits ask of colour; None asks nothing. Component limits are on |sample - reference|."""

    formula: str = "CIEDE2000"
    weights: tuple[float, ...] = ()
    lot_max: float | None = None
    spool_max: float | None = None
    spread_max: float | None = None
    step_max: float | None = None
    components_max: Mapping[str, float] | None = None
    readings_per_spool_min: int = 1

    def delta_e(self, reference: Lab, sample: Lab) -> float:
        """Colour difference in this formula and with these weights."""
        return delta_e(reference, sample, self.formula, self.weights)


def judge_color(
    summary: ColorSummary | None,
    reference: Lab | None,
    limits: ColorLimits,
    coverage: Coverage,
    rule: DecisionRule,
    previous: Lab | None = None,
) -> list[Finding]:
    """Returns the findings on a lot's colour, one per limit that is set.

    Args:
        summary: None when nothing was measured.
        reference: colour of the approved shade revision; None when there is none, and then nothing can pass.
        limits: what is asked.
        coverage: which spools were to be measured.
        previous: mean colour of the last accepted lot of this supplier and grade; None when there is none, and then a step
            has nothing to be a step from and no finding is made.

    Reference:
        ASTM D2244 (keep the components beside the difference); this project's design for lot, spool, spread and step.
    """
    lacking = coverage.lacking(
        {} if summary is None else {s: n for s, (_, n) in summary.spools.items()},
        limits.readings_per_spool_min,
        "colour",
    )
    if reference is None:
        lacking = "an approved shade revision for this grade, to compare with"
    values = {} if summary is None or reference is None else _measures(summary, reference, limits, previous)
    findings = []
    if limits.lot_max is not None:
        findings.append(_against(values.get("lot"), "color.lot_delta_e", Limit(None, limits.lot_max), rule, lacking))
    if limits.spool_max is not None:
        findings.append(_worst_spool(summary, reference, limits, rule, lacking))
    if limits.spread_max is not None:
        findings.append(_spread(summary, limits, coverage, rule, lacking))
    if limits.step_max is not None and previous is not None:
        findings.append(_against(values.get("step"), "color.step", Limit(None, limits.step_max), rule, lacking))
    for axis in ("L", "a", "b"):
        most = (limits.components_max or {}).get(axis)
        if most is not None:
            findings.append(
                _against(values.get(axis), f"color.component_{axis.lower()}", Limit(-most, most), rule, lacking)
            )
    return findings


@dataclass(frozen=True, slots=True)
class _Measured:
    value: float
    n: int
    uncertainty: float | None
    detail: str


def _measures(summary: ColorSummary, reference: Lab, limits: ColorLimits, previous: Lab | None) -> dict[str, _Measured]:
    parts = components(reference, summary.lot)
    n, u = len(summary.spools), summary.lot_uncertainty
    found = {
        "lot": _Measured(
            limits.delta_e(reference, summary.lot),
            n,
            delta_e_uncertainty(reference, summary.lot, u, limits),
            _than("the reference", parts),
        )
    }
    for index, (axis, amount) in enumerate((("L", parts.dL), ("a", parts.da), ("b", parts.db))):
        found[axis] = _Measured(amount, n, None if u is None else u[index], "")
    if previous is not None:
        step = components(previous, summary.lot)
        found["step"] = _Measured(
            limits.delta_e(previous, summary.lot),
            n,
            delta_e_uncertainty(previous, summary.lot, u, limits),
            _than("the last accepted lot", step),
        )
    return found


def _than(what: str, parts: Components) -> str:
    return f"Against {what}: {parts.direction} (dL* {parts.dL:+.2f}, da* {parts.da:+.2f}, db* {parts.db:+.2f})."


def _against(measured: _Measured | None, code: str, limit: Limit, rule: DecisionRule, lacking: str) -> Finding:
    if measured is None:
        return judge(code, None, limit, rule, n=0, counted="spools", lacking=lacking)
    return judge(
        code,
        measured.value,
        limit,
        rule,
        n=measured.n,
        counted=_spools(measured.n),
        uncertainty=measured.uncertainty,
        detail=measured.detail,
        lacking=lacking,
    )


def _spools(n: int) -> str:
    return "spool" if n == 1 else "spools"


def _worst_spool(
    summary: ColorSummary | None, reference: Lab | None, limits: ColorLimits, rule: DecisionRule, lacking: str
) -> Finding:
    limit = Limit(None, limits.spool_max)
    if summary is None or reference is None:
        return judge("color.spool_delta_e", None, limit, rule, n=0, lacking=lacking)
    return worst(
        [
            judge(
                "color.spool_delta_e",
                limits.delta_e(reference, mean),
                limit,
                rule,
                n=n,
                counted="reading" if n == 1 else "readings",
                uncertainty=delta_e_uncertainty(reference, mean, summary.spool_uncertainty[spool], limits),
                subject=f"spool {spool}",
                detail=_than("the reference", components(reference, mean)),
                lacking=lacking,
                conclusive=n >= limits.readings_per_spool_min,
            )
            for spool, (mean, n) in summary.spools.items()
        ]
    )


def _spread(
    summary: ColorSummary | None, limits: ColorLimits, coverage: Coverage, rule: DecisionRule, lacking: str
) -> Finding:
    limit = Limit(None, limits.spread_max)
    if summary is None:
        return judge("color.spread", None, limit, rule, n=0, lacking=lacking)
    means = [mean for mean, _ in summary.spools.values()]
    if len(means) == 1 and coverage.spools_in_lot > 1 and not lacking:
        lacking = f"colour on at least one more spool{coverage.not_yet(summary.spools)}, since one spool has no spread"
    value = mean_difference_from_mean(means, limits.formula, limits.weights)
    distances = [[limits.delta_e(summary.lot, mean)] for mean in means]
    # One spool that is the whole lot has no spread to be unsure of.
    u = (standard_error(distances, None) or (None,))[0] if len(means) > 1 else 0.0
    return judge(
        "color.spread",
        value,
        limit,
        rule,
        n=len(means),
        counted=_spools(len(means)),
        uncertainty=u,
        lacking=lacking,
    )


def delta_e_uncertainty(reference: Lab, sample: Lab, u: Vector | None, limits: ColorLimits) -> float | None:
    """Returns the standard uncertainty of a colour difference whose sample is uncertain by `u` per coordinate.

    Each coordinate in turn is moved by its own uncertainty, both ways, and the larger change in the difference is taken;
    the three are combined as a root sum of squares. Near zero, where a difference has no slope, this still gives the size of
    difference that the uncertainty alone would show.

    Args:
        u: standard uncertainties of L*, a*, b* of the sample, or None when unknown.

    Reference:
        Kragten 1994, Calculating standard deviations and confidence intervals with a universally applicable spreadsheet
        technique, Analyst 119, 2161-2165 (numerical propagation; from memory). Coordinates are taken as independent.
    """
    if u is None:
        return None
    here = limits.delta_e(reference, sample)
    changes = []
    for index, size in enumerate(u):
        moved = []
        for sign in (1, -1):
            point = sample.as_list()
            point[index] += sign * size
            moved.append(abs(limits.delta_e(reference, nearest_lab(*point)) - here))
        changes.append(max(moved))
    return math.sqrt(math.fsum(change * change for change in changes))
