"""Evidence and limits in, assessment out: every finding, the verdict per use, and where that puts the lot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime

from lots.domain.assessment import drawn_spools, plan_counts
from lots.domain.assessment.limits_revision import GENERAL, Limits
from lots.domain.assessment.rule_versions import CURRENT, FIRST
from lots.domain.assessment.verdicts import each_once, standing_of, to_measure, verdicts
from lots.domain.characteristics import bond, diameter, gloss, moisture, opacity, shrinkage, surface
from lots.domain.characteristics.color.lot_color import (
    ColorLimits,
    ColorReading,
    ColorSummary,
    ShadeRevision,
    judge_color,
)
from lots.domain.characteristics.color.lot_color import judge_spools as shade_judge_spools
from lots.domain.characteristics.color.lot_color import summarise as summarise_color
from lots.domain.characteristics.color.spectral_figures import judge_depth, spectra_lacking
from lots.domain.characteristics.diameter import DiameterSummary
from lots.domain.characteristics.figures import Figure, figures_of
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import DecisionRule, Finding, Verdict
from lots.domain.conformity.step_rule import CODES, StepRule
from lots.domain.receiving.coverage import CLOSED_LOT, Coverage
from lots.domain.statistics.summaries import Vector


@dataclass(frozen=True, slots=True)
class Evidence:
    """The readings of a lot that count as measurements: neither voided nor screening. One list per characteristic."""

    color: Sequence[ColorReading] = ()
    diameter: Sequence[diameter.DiameterReading] = ()
    shrinkage: Sequence[shrinkage.ShrinkTest] = ()
    bond: Sequence[bond.BondTest] = ()
    surface: Sequence[surface.SurfaceCheck] = ()
    moisture: Sequence[moisture.MoistureReading] = ()
    gloss: Sequence[gloss.GlossReading] = ()
    opacity: Sequence[opacity.OpacityReading] = ()

    @property
    def empty(self) -> bool:
        """True when nothing has been measured."""
        return not any(getattr(self, part.name) for part in fields(self))

    def spools(self) -> dict[str, set[str]]:
        """The spools that were measured, by characteristic. Control bars are of another material."""
        return {
            part.name: {reading.spool for reading in getattr(self, part.name) if not getattr(reading, "control", False)}
            for part in fields(self)
        }

    def not_drawn(self, coverage: Coverage) -> dict[str, list[str]]:
        """Returns characteristic -> spools that were measured although they were not drawn, by code."""
        found = {
            name: [code for code in sorted(codes) if not coverage.is_drawn(code)]
            for name, codes in self.spools().items()
        }
        return {name: others for name, others in found.items() if others}

    def without(self, others: Mapping[str, Sequence[str]]) -> Evidence:
        """Returns the same evidence without the readings that `not_drawn` names."""
        kept = {}
        for name, codes in others.items():
            left_out = set(codes)
            kept[name] = [r for r in getattr(self, name) if r.spool not in left_out or getattr(r, "control", False)]
        return replace(self, **kept)


@dataclass(frozen=True, slots=True)
class Previous:
    """The last accepted lot of the same supplier and grade, per characteristic it was accepted for.

    `accepted` maps the code of a step from it to the largest that quality accepted, in the unit of its finding.
    """

    lab: Lab | None = None
    shrinkage: Mapping[str, float] = field(default_factory=dict)
    lab_uncertainty: Vector | None = None
    shrinkage_uncertainty: Mapping[str, float] = field(default_factory=dict)
    accepted: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of a lot: mean colour, flow factors, shrinkage (None if unmeasured), spools that fail by themselves, figures for series.

    `opacity` is the newest reading's, None without one. `wet` is the last reading that was too wet, None without any; `dry_at` says when each
    spool was last measured that is dry by its newest reading.
    """

    lab: Lab | None
    flow: float | None
    spool_flow: Mapping[str, float]
    shrinkage: Mapping[str, float]
    lab_uncertainty: Vector | None = None
    shrinkage_uncertainty: Mapping[str, float] = field(default_factory=dict)
    nonconforming: Mapping[str, Sequence[Finding]] = field(default_factory=dict)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    opacity: opacity.Opacity | None = None
    wet: moisture.Wetness | None = None
    dry_at: Mapping[str, datetime] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Assessment:
    """All findings of a lot, the verdict per use, and the standing they lead to (before anybody's decision by hand).

    `wanted` says which further spools are to be drawn for it; `told` are the notes that go with every word on where the lot stands.
    """

    standing: str
    uses: Mapping[str, Verdict]
    findings: tuple[Finding, ...]
    to_measure: tuple[str, ...]
    notes: tuple[str, ...]
    summary: Summary
    wanted: tuple[drawn_spools.Wanted, ...] = ()
    told: tuple[str, ...] = ()

    def passed(self, characteristic: str) -> bool:
        """True when the characteristic was judged and nothing about it is in doubt."""
        about = [f for f in self.findings if f.characteristic == characteristic]
        return bool(about) and all(f.verdict == "pass" for f in about)

    def steps_held(self) -> dict[str, float]:
        """Returns the steps that keep a use open until quality decides: code -> how large each is, in the unit of its finding."""
        return {
            f.code: f.value
            for f in self.findings
            if f.code in CODES and f.hold and f.value is not None and any(self.uses[use] != "fail" for use in f.uses)
        }

    def settled_without_pass(self, characteristic: str) -> bool:
        """True when the evidence on a characteristic is complete and it fails or is near: measuring again is a retest.

        A held finding waits for a remedy or for quality, so readings that come meanwhile repeat nothing.
        """
        about = [f for f in self.findings if f.characteristic == characteristic and not f.hold]
        verdicts = {f.verdict for f in about}
        return bool(verdicts & {"fail", "near"}) and "missing" not in verdicts

    def why(self, use: str) -> list[str]:
        """Returns what keeps a use from passing: each finding that fails or is near, then what is still to be done, each once."""
        about = [f for f in self.findings if use in f.uses and f.verdict != "pass"]
        measured = [f.message for f in about if f.verdict != "missing"]
        to_do = each_once(f.to_measure for f in about if f.verdict == "missing") or ([] if about else self.to_measure)
        return [*measured, *(f"Still to do: {part}." for part in to_do)]


def assess(
    evidence: Evidence,
    limits: Limits | None,
    shade: ShadeRevision | None,
    nominal_mm: float,
    coverage: Coverage,
    previous: Previous | None = None,
    retests: Mapping[str, int] | None = None,
    rules: int = CURRENT,
) -> Assessment:
    """Returns the assessment of a lot.

    Args:
        evidence: the readings that count.
        limits: the limits revision to judge under; None when the grade has none, and then nothing passes.
        shade: the approved shade revision to compare with; None when there is none.
        nominal_mm: the grade's nominal diameter, mm.
        coverage: how many spools must be measured.
        previous: the last accepted lot, for steps.
        retests: characteristic -> extra rounds of readings, beyond those that quality has let stand.
        rules: version of the rules to judge by, see `lots.domain.assessment.rule_versions`.

    Notes:
        Colour readings under other conditions than the shade revision's, and coupons of an age the limits do not accept, are left out and counted
        in `notes`. Colours of plaques that are not opaque without its backing count against the lot and never for it: what they fail stays
        failed, everything else about them is missing. A required characteristic without any finding counts as missing.

        From version 2 on each finding is the worse of two: from the drawn spools alone, and from all that were measured. So readings of spools
        that were not drawn may refuse a lot and never release it. What is kept of the lot (mean colour, flow, shrinkage, figures) rests on
        the drawn spools alone, since it stands for the lot; what is kept of a spool rests on its own readings.
    """
    given = (limits, shade, nominal_mm)
    if rules == FIRST:
        return _judged(evidence, *given, coverage, previous, retests, rules)
    others = evidence.not_drawn(coverage)
    mine = evidence.without(others) if others else evidence
    found = _judged(mine, *given, coverage.of_drawn(), previous, retests, rules)
    if others:
        found = drawn_spools.with_others(found, _judged(evidence, *given, coverage, previous, retests, rules), others)
    return _sampled(found, mine, others, limits, shade, coverage.of_drawn())


def _sampled(
    found: Assessment,
    evidence: Evidence,
    others: Mapping[str, Sequence[str]],
    limits: Limits | None,
    shade: ShadeRevision | None,
    coverage: Coverage,
) -> Assessment:
    """The same assessment with the drawn spools that its findings wait for, and those that must be drawn for them."""
    if limits is None:
        return found
    if not (others or any(f.more_spools for f in found.findings) or any(part.further for part in coverage.presented)):
        return replace(found, wanted=drawn_spools.made_up(coverage))
    comparable = replace(evidence, color=_comparable(evidence.color, shade, []))
    measured = {
        part.name: frozenset(reading.spool for reading in getattr(comparable, part.name)) for part in fields(comparable)
    }
    findings = drawn_spools.complete(found.findings, coverage, measured, others)
    uses = verdicts(findings, limits)
    return replace(
        found,
        standing=standing_of(uses),
        uses=uses,
        findings=tuple(findings),
        to_measure=to_measure(findings),
        wanted=drawn_spools.wanted(findings, uses, coverage, measured),
    )


def _judged(
    evidence: Evidence,
    limits: Limits | None,
    shade: ShadeRevision | None,
    nominal_mm: float,
    coverage: Coverage,
    previous: Previous | None,
    retests: Mapping[str, int] | None,
    rules: int,
) -> Assessment:
    """The assessment of a lot from all readings that are given."""
    previous = previous or Previous()
    notes: list[str] = []
    newest = opacity.latest(evidence.opacity)
    plaque = newest.found if newest else None
    colors = _comparable(evidence.color, shade, notes)
    tests = _aged(evidence.shrinkage, limits, notes)
    backed = _backed(colors, plaque, shade, notes)
    color_summary = summarise_color(backed)
    diameter_summary = diameter.summarise(evidence.diameter, nominal_mm)
    shrink_summary = shrinkage.summarise(tests)
    gloss_summary = gloss.summarise(evidence.gloss)
    summary = Summary(
        color_summary.lot if color_summary and shade else None,
        diameter_summary.flow if diameter_summary else None,
        diameter_summary.spool_flow if diameter_summary else {},
        {axis: found.percent for axis, found in shrink_summary.items()},
        color_summary.lot_uncertainty.total if color_summary and shade else None,
        {axis: found.uncertainty for axis, found in shrink_summary.items() if found.uncertainty is not None},
        figures=figures_of(
            color_summary,
            shade.lab if shade else None,
            limits.color if limits else None,
            diameter_summary,
            tests,
            evidence.bond,
            evidence.surface,
            evidence.moisture,
            gloss_summary,
            evidence.opacity,
        ),
        opacity=plaque,
    )
    if limits is None or coverage.closed:
        to_do = "limits for this grade, set by quality: without them nothing can be judged"
        uses: dict[str, Verdict] = dict.fromkeys(limits.required() if limits else (GENERAL,), "missing")
        waits_for = CLOSED_LOT if coverage.closed else to_do
        return Assessment("quarantined", uses, (), (waits_for,), tuple(notes), summary)

    rule = replace(limits.rule, trusts_zero=rules == FIRST)
    steps = StepRule(rules == FIRST, previous.accepted)
    findings: list[Finding] = []
    each: list[Finding] = []
    if limits.color:
        judged = color_summary if len(backed) == len(colors) else summarise_color(colors)
        findings, each = _judge_colors(colors, judged, plaque, shade, limits.color, coverage, rule, previous, steps)
        if limits.color.step_max is not None and previous.lab is None:
            notes.append("No earlier accepted lot of this supplier and grade to measure a colour step from.")
    if limits.diameter:
        findings += diameter.judge_diameter(diameter_summary, nominal_mm, limits.diameter, coverage, rule)
    if limits.shrinkage:
        findings += shrinkage.judge_shrinkage(
            shrink_summary, limits.shrinkage, rule, previous.shrinkage, previous.shrinkage_uncertainty, steps
        )
    if limits.bond:
        findings += bond.judge_bond(bond.summarise(evidence.bond), limits.bond, rule)
    if limits.surface:
        findings += surface.judge_surface(surface.summarise(evidence.surface), limits.surface, rule)
    if limits.moisture:
        findings += moisture.judge_moisture(evidence.moisture, limits.moisture, rule)
    if limits.gloss:
        findings += gloss.judge_gloss(gloss_summary, limits.gloss, coverage, rule)
    if limits.opacity:
        findings += opacity.judge_opacity(evidence.opacity, limits.opacity, rule)
    if rule.guarded and rules > FIRST:
        findings = plan_counts.one_spool_is_no_lot(findings, evidence.spools(), coverage)
    findings = [replace(f, uses=limits.used_by(f.characteristic)) for f in findings]
    each += diameter.judge_spools(diameter_summary, nominal_mm, limits.diameter, rule) if limits.diameter else []
    each = [replace(f, uses=limits.used_by(f.characteristic)) for f in each]
    if any(part.plan for part in coverage.presented):
        measured = _fully_measured(color_summary, diameter_summary, limits)
        findings = plan_counts.count_by_plan(findings, each, measured, limits, coverage)
    findings += plan_counts.cap_retests(retests or {}, limits) + plan_counts.discontinued(coverage, limits)
    summary = replace(summary, nonconforming=plan_counts.nonconforming_spools(each))
    if limits.moisture and rules > FIRST:
        wet = moisture.last_wet(evidence.moisture, limits.moisture, limits.used_by("moisture"))
        summary = replace(summary, wet=wet, dry_at=moisture.dry_spools(evidence.moisture, limits.moisture))
    if rules == FIRST:
        notes += drawn_spools.substituted(evidence, limits, coverage)

    uses = verdicts(findings, limits)
    return Assessment(standing_of(uses), uses, tuple(findings), to_measure(findings), tuple(notes), summary)


def _fully_measured(colors: ColorSummary | None, diameters: DiameterSummary | None, limits: Limits) -> set[str]:
    """Spools whose every measure of their own is complete."""
    sets = []
    if limits.color:
        least = limits.color.readings_per_spool_min
        sets.append({code for code, (_, n) in colors.spools.items() if n >= least} if colors else set())
    if limits.diameter:
        least = limits.diameter.readings_per_spool_min
        sets.append({code for code, rows in diameters.spools.items() if len(rows) >= least} if diameters else set())
    return set.intersection(*sets) if sets else set()


def _comparable(readings: Sequence[ColorReading], shade: ShadeRevision | None, notes: list[str]) -> list[ColorReading]:
    if shade is None:
        return list(readings)
    kept = [r for r in (r.under(shade.conditions) for r in readings) if r.conditions.comparable_with(shade.conditions)]
    if left := len(readings) - len(kept):
        notes.append(
            f"{left} colour {'reading was' if left == 1 else 'readings were'} made under other conditions than revision {shade.revision} of {shade.name} and {'does' if left == 1 else 'do'} not count."
        )
    return kept


def _judge_colors(
    readings: Sequence[ColorReading],
    summary: ColorSummary | None,
    plaque: opacity.Opacity | None,
    shade: ShadeRevision | None,
    limits: ColorLimits,
    coverage: Coverage,
    rule: DecisionRule,
    previous: Previous,
    steps: StepRule,
) -> tuple[list[Finding], list[Finding]]:
    """The findings on a lot's colour, and on each spool by itself. Where the backing is not known a failure stands, and nothing passes."""
    reference, asked = (shade.lab, shade.conditions) if shade else (None, None)
    what, waits_for = opacity.color_wanted(plaque, asked), opacity.way_out(plaque, asked)
    spectra = spectra_lacking(readings, shade, limits, coverage, what)
    before = (previous.lab, previous.lab_uncertainty)
    found = judge_color(summary, reference, limits, coverage, rule, *before, what, spectra, steps)
    found += judge_depth(readings, summary, shade, limits, coverage, rule, what)
    each = shade_judge_spools(summary, reference, limits, rule)
    if waits_for:
        found, each = ([_never_for(finding, waits_for) for finding in some] for some in (found, each))
    return found, each


def _never_for(finding: Finding, waits_for: str) -> Finding:
    """A finding on colours that may count against the lot only."""
    return finding if finding.verdict == "fail" else replace(finding, verdict="missing", to_measure=waits_for)


def _backed(
    readings: list[ColorReading], plaque: opacity.Opacity | None, shade: ShadeRevision | None, notes: list[str]
) -> list[ColorReading]:
    """Leaves out what a change of the backing would have changed: such colours are neither the lot's mean nor its series."""
    if plaque is None:
        return readings
    asked = shade.conditions if shade else None
    kept = [r for r in readings if opacity.backing_problem(plaque, r.conditions, asked) is None]
    if left := len(readings) - len(kept):
        notes.append(
            f"{left} colour {'reading counts' if left == 1 else 'readings count'} against the lot only, never for it: its plaques are not opaque, and the backing is not stated as the reference's."
        )
    return kept


def _aged(tests: Sequence[shrinkage.ShrinkTest], limits: Limits | None, notes: list[str]) -> list[shrinkage.ShrinkTest]:
    if limits is None or limits.shrinkage is None:
        return list(tests)
    kept = [t for t in tests if limits.shrinkage.counts(t)]
    if left := len(tests) - len(kept):
        low, high = limits.shrinkage.age_h or (0, 0)
        notes.append(
            f"{left} shrink {'test was' if left == 1 else 'tests were'} not measured {low:g} to {high:g} h after printing and {'does' if left == 1 else 'do'} not count."
        )
    if len(printers := {t.printer for t in kept if t.printer}) > 1:
        notes.append(
            f"The shrink tests come from several printers ({', '.join(sorted(printers))}), whose own scale errors differ."
        )
    return kept
