"""Colour of a lot: readings averaged in CIELAB, compared with the approved shade and the last accepted lot."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import stdev

from lots.domain.characteristics.color.between_instruments import NO_START, SAME, Compared, Start
from lots.domain.characteristics.color.uncertainty import (
    COORDINATES,
    ColorUncertainty,
    delta_e_uncertainty,
    local_metric,
)
from lots.domain.characteristics.declaring.estimate import OWN, Estimate, Instrument
from lots.domain.characteristics.declaring.figures import by_spool
from lots.domain.characteristics.declaring.limit_fields import FEWEST
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from lots.domain.colorimetry.color_difference import (
    DEFAULT_FORMULA,
    Components,
    components,
    delta_e,
    mean_difference_from_mean,
)
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.domain.colorimetry.spectra import Spectrum, lab_from_spectrum
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.guard import Spread, conformance_of_difference
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.receiving.coverage import Coverage
from lots.domain.statistics.summaries import Vector, worst_known
from lots.domain.uncertainty.budget import Uncertainty, estimated
from lots.domain.words import plural


@dataclass(frozen=True, slots=True)
class ColorReading:
    """One reading of one printed plaque. `uncertainty` and `resolution` are the instrument's per coordinate, None if unknown.

    Where there is a `spectrum`, `lab` is its colour under the illuminant and observer of `conditions`.
    """

    spool: str
    lab: Lab
    conditions: Conditions
    uncertainty: float | None = None
    spectrum: Spectrum | None = None
    resolution: float | None = None
    origin: Origin = UNKNOWN

    def under(self, asked: Conditions) -> ColorReading:
        """Returns the reading under another illuminant and observer where it has a spectrum, else unchanged."""
        light = (asked.illuminant, asked.observer_deg)
        if self.spectrum is None or light == (self.conditions.illuminant, self.conditions.observer_deg):
            return self
        try:
            lab = lab_from_spectrum(self.spectrum, *light)
        except ValueError:
            return self
        conditions = replace(self.conditions, illuminant=asked.illuminant, observer_deg=asked.observer_deg)
        return replace(self, lab=lab, conditions=conditions)


# Source of the uncertainty of a comparison with a reference beyond that of the lot.
BEYOND = "reference and instruments"
REFERENCE_NEEDED = "ask quality to approve a shade revision for this grade"


@dataclass(frozen=True, slots=True)
class ColorSummary:
    """Colours of a lot: `spools` maps spool to (mean, number of readings); `lot` is the mean of the spools' means."""

    lot: Lab
    spools: Mapping[str, tuple[Lab, int]]
    spool_uncertainty: Mapping[str, ColorUncertainty]
    lot_uncertainty: ColorUncertainty

    @property
    def n(self) -> int:
        """The number of readings."""
        return sum(n for _, n in self.spools.values())


def summarise(readings: Sequence[ColorReading], estimate: Estimate = OWN) -> ColorSummary | None:
    """Returns the means per spool and of the lot, or None without readings.

    Readings are averaged in CIELAB per spool, spools per lot, so every spool has equal weight.
    A mean of colour differences would never reach zero, since a difference has no sign.

    Args:
        readings: of one lot.
        estimate: method and earlier data for the uncertainty.
    """
    if not readings:
        return None
    groups = by_spool(readings)
    spools = {spool: (mean_lab([r.lab for r in group]), len(group)) for spool, group in groups.items()}
    rows = {spool: [r.lab.as_list() for r in group] for spool, group in groups.items()}
    known = estimate.of_spools(COORDINATES, rows, {spool: Instrument.of(group) for spool, group in groups.items()})
    of_lot = estimate.of_lot(COORDINATES, list(rows.values()), Instrument.of(readings))
    uncertain = {spool: ColorUncertainty(known[spool], estimate.lengths) for spool in spools}
    lot = ColorUncertainty(of_lot, estimate.lengths)
    return ColorSummary(mean_lab([mean for mean, _ in spools.values()]), spools, uncertain, lot)


@dataclass(frozen=True, slots=True)
class ColorLimits:
    """Limits on colour; None: no limit. Component limits are on |sample - reference|.

    `metamerism_max` to `yellowness_max` are assessed in `spectral_figures`. `job_pair_max` is the limit between the lots of one job
    (`matching.within_one_job`).
    """

    formula: str = DEFAULT_FORMULA
    weights: tuple[float, ...] = ()
    lot_max: float | None = None
    spool_max: float | None = None
    spread_max: float | None = None
    step_max: float | None = None
    components_max: Mapping[str, float] | None = None
    readings_per_spool_min: int = FEWEST
    metamerism_max: float | None = None
    whiteness_min: float | None = None
    tint: tuple[float, float] | None = None
    yellowness_max: float | None = None
    job_pair_max: float | None = None
    spool_pair_max: float | None = None
    control_max: float | None = None

    def delta_e(self, reference: Lab, sample: Lab) -> float:
        """Returns the colour difference in this formula with these weights."""
        return delta_e(reference, sample, self.formula, self.weights)


@dataclass(frozen=True, slots=True)
class Wanted:
    """The name of missing readings, and the missing spectra as an action; "" when none is missing.

    Spectra count as colours, so missing spectra replace missing readings.
    """

    what: str = "colour"
    spectra: str = ""


COLORS = Wanted()


def judge_color(
    summary: ColorSummary | None,
    reference: Lab | None,
    limits: ColorLimits,
    coverage: Coverage,
    rule: DecisionRule,
    start: Start = NO_START,
    wanted: Wanted = COLORS,
    compared: Compared = SAME,
) -> list[Finding]:
    """Returns the findings on a lot's colour, one per limit.

    Args:
        summary: None when nothing was measured.
        reference: colour of the approved shade revision; None without one, and then nothing can pass.
        limits: on colour.
        coverage: which spools must be measured.
        rule: simple or guarded acceptance.
        start: the last accepted lot; without its colour, no step is assessed. The target of a step is the reference.
        wanted: words for missing readings.
        compared: the comparison across instruments.

    Reference:
        ASTM D2244 (report the components with the difference). Lot, spool, spread and step are this project's rule, no source.
    """
    counts = {} if summary is None else {s: n for s, (_, n) in summary.spools.items()}
    lacking = coverage.lacking(counts, limits.readings_per_spool_min, wanted.what)
    lacking = lacking and (wanted.spectra or lacking)
    if reference is None:
        lacking = REFERENCE_NEEDED
    values: dict[str, ColorFigure] = {}
    if summary is not None and reference is not None:
        values = _measures(summary, reference, limits, start, compared.beyond)
    findings = []
    if limits.lot_max is not None:
        found = against(values.get("lot"), "color.lot_delta_e", Limit(None, limits.lot_max), rule, lacking)
        findings.append(compared.told(found, rule))
    if limits.spool_max is not None:
        each = judge_spools(summary, reference, limits, rule, lacking, compared)
        none = unmeasured("color.spool_delta_e", Limit(None, limits.spool_max), rule, lacking)
        findings.append(worst(each) if each else none)
    if limits.spread_max is not None:
        findings.append(_spread(summary, limits, coverage, rule, lacking))
    if limits.step_max is not None and start.lab is not None:
        found = against(values.get("step"), "color.step", Limit(None, limits.step_max), rule, lacking)
        if reference is not None and "lot" in values:
            before = limits.delta_e(reference, start.lab)
            found = start.rule.judged(found, rule, values["lot"].value, before, "the reference")
        findings.append(found)
    return [*findings, *_components(values, limits, rule, lacking, compared)]


def _components(
    values: Mapping[str, ColorFigure], limits: ColorLimits, rule: DecisionRule, lacking: str, compared: Compared
) -> list[Finding]:
    """Returns the findings on dL*, da* and db*, where limited."""
    most = limits.components_max or {}
    asked = {axis: end for axis in ("L", "a", "b") if (end := most.get(axis)) is not None}
    found = [
        against(values.get(axis), f"color.component_{axis.lower()}", Limit(-end, end), rule, lacking)
        for axis, end in asked.items()
    ]
    return [compared.told(one, rule) for one in found]


@dataclass(frozen=True, slots=True)
class ColorFigure(Measured):
    """A measured figure of a lot's colour."""

    value: float
    uncertainty: Spread | None = None


def difference(
    reference: Lab, sample: Lab, u: ColorUncertainty, limits: ColorLimits, most: float | None, n: int, what: str
) -> ColorFigure:
    """Returns one colour difference with its uncertainty and direction, before version 4 of the rules also with its conformance probability."""
    value = limits.delta_e(reference, sample)
    chance = None
    if u.total is not None and most is not None and not u.lengths:
        apart, metric = local_metric(reference, sample, max(u.total), limits)
        chance = conformance_of_difference(apart, u.total, metric, most)
    spread = u.of_difference(reference, sample, limits)
    detail = _direction(what, components(reference, sample))
    return ColorFigure(value, n, plural(n, "spool"), spread, conformance=chance, detail=detail)


def _measures(
    summary: ColorSummary, reference: Lab, limits: ColorLimits, start: Start, beyond: Vector
) -> dict[str, ColorFigure]:
    parts = components(reference, summary.lot)
    n, u = len(summary.spools), summary.lot_uncertainty
    wide = u.beside(beyond, BEYOND)
    found = {"lot": difference(reference, summary.lot, wide, limits, limits.lot_max, n, "the reference")}
    for index, (axis, amount) in enumerate((("L", parts.dL), ("a", parts.da), ("b", parts.db))):
        found[axis] = ColorFigure(amount, n, plural(n, "spool"), None if wide.columns is None else wide.columns[index])
    if start.lab is not None:
        before = start.uncertainty
        step_u = u if before is None or before.columns is None else u.and_of(before)
        found["step"] = difference(start.lab, summary.lot, step_u, limits, limits.step_max, n, "the last accepted lot")
    return found


def _direction(what: str, parts: Components) -> str:
    return f"Against {what}: {parts.direction} (dL* {parts.dL:+z.2f}, da* {parts.da:+z.2f}, db* {parts.db:+z.2f})."


def against(measured: Measured | None, code: str, limit: Limit, rule: DecisionRule, lacking: str) -> Finding:
    """Returns the finding on a figure of the whole lot; None: not measured."""
    if measured is None:
        return unmeasured(code, limit, rule, lacking, "spools")
    return judge(code, measured, limit, rule, todo=ToDo(lacking))


def judge_spools(
    summary: ColorSummary | None,
    reference: Lab | None,
    limits: ColorLimits,
    rule: DecisionRule,
    lacking: str = "",
    compared: Compared = SAME,
) -> list[Finding]:
    """Returns a finding on the colour of each spool; empty without readings, a reference or a limit on spools."""
    if summary is None or reference is None or limits.spool_max is None:
        return []
    limit = Limit(None, limits.spool_max)
    found = []
    for spool, (mean, n) in summary.spools.items():
        u = summary.spool_uncertainty[spool].beside(compared.beyond, BEYOND)
        measured = difference(reference, mean, u, limits, limits.spool_max, n, "the reference")
        found.append(
            judge(
                "color.spool_delta_e",
                replace(measured, counted=plural(n, "reading"), looked_at=len(summary.spools)),
                limit,
                rule,
                subject=f"spool {spool}",
                spool=spool,
                todo=ToDo(lacking, conclusive=n >= limits.readings_per_spool_min),
            )
        )
    return [compared.told(one, rule) for one in found]


def _spread(
    summary: ColorSummary | None, limits: ColorLimits, coverage: Coverage, rule: DecisionRule, lacking: str
) -> Finding:
    limit = Limit(None, limits.spread_max)
    if summary is None:
        return unmeasured("color.spread", limit, rule, lacking)
    means = [mean for mean, _ in summary.spools.values()]
    more = 0
    if len(means) == 1 and coverage.spools_in_lot > 1 and not lacking:
        more = 1
        spools = f"at least one more spool{coverage.not_yet(summary.spools)}"
        lacking = f"measure colour on {spools}, since one spool has no spread"
    value = mean_difference_from_mean(means, limits.formula, limits.weights)
    # A lot of one spool has a spread of exactly 0.
    guard = 0.0 if len(means) == 1 else None
    return judge(
        "color.spread",
        Measured(
            value,
            len(means),
            plural(len(means), "spool"),
            uncertainty=_of_spread(summary, means, limits, rule) if len(means) > 1 else 0.0,
            guard=guard,
        ),
        limit,
        rule,
        todo=ToDo(lacking, more_spools=more),
    )


def _of_spread(
    summary: ColorSummary, means: Sequence[Lab], limits: ColorLimits, rule: DecisionRule
) -> Uncertainty | None:
    """Returns the uncertainty of the mean distance of at least two spools from their mean, from the spread of these distances."""
    k = len(means)
    u = stdev(limits.delta_e(summary.lot, mean) for mean in means) / math.sqrt(k)
    df = k - 1 if summary.lot_uncertainty.lengths else math.inf
    if u > BINARY_NOISE or rule.trusts_zero:
        return estimated(u, df, "differences between spools")
    # Spools with equal means may differ by as much as the uncertainty of their readings.
    each = [(mean, summary.spool_uncertainty[spool].total) for spool, (mean, _) in summary.spools.items()]
    known = worst_known(delta_e_uncertainty(summary.lot, mean, of_spool, limits) for mean, of_spool in each)
    return None if known is None else estimated(known, df, "readings of the spools")
