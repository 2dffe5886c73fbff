"""Evidence and limits in, assessment out: every finding, the verdict per use, and where that puts the lot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from lots.domain.assessment import drawn_spools, plan_counts, spools_covered
from lots.domain.assessment.limits_revision import GENERAL, Limits
from lots.domain.assessment.printed_evidence import apart_from_controls, by_print, by_recipe
from lots.domain.assessment.sources_alone import assess_by_source
from lots.domain.assessment.verdicts import each_once, standing_of, to_measure, verdicts
from lots.domain.characteristics.color.between_spools import Between
from lots.domain.characteristics.declaring.bridge import Bridges
from lots.domain.characteristics.declaring.case import Case, Part, Previous, ShadeRevision
from lots.domain.characteristics.declaring.estimate import Estimate
from lots.domain.characteristics.declaring.figures import Figure
from lots.domain.characteristics.moisture import Wetness
from lots.domain.characteristics.registry import DECLARED, is_step
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule, Verdict
from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND, THIRD
from lots.domain.conformity.step_rule import StepRule
from lots.domain.receiving.coverage import CLOSED_LOT, Coverage
from lots.domain.statistics.summaries import Vector


@dataclass(frozen=True, init=False)
class Evidence:
    """The readings of a lot that count as measurements: neither voided nor screening. One list per characteristic, by its name."""

    readings: Mapping[str, Sequence[Any]]

    def __init__(self, readings: Mapping[str, Sequence[Any]] | None = None, **named: Sequence[Any]) -> None:
        if strange := named.keys() - DECLARED.keys():
            raise TypeError(f"there is no characteristic {', '.join(sorted(strange))}")
        every = {**(readings or {}), **named}
        object.__setattr__(self, "readings", {name: every.get(name, ()) for name in DECLARED})

    def __getattr__(self, name: str) -> Any:
        if name in DECLARED:
            return self.readings[name]
        raise AttributeError(name)

    @property
    def empty(self) -> bool:
        """True when nothing has been measured."""
        return not any(self.readings.values())

    def spools(self) -> dict[str, set[str]]:
        """The spools that were measured, by characteristic. Control bars are of another material."""
        return {
            name: {reading.spool for reading in some if DECLARED[name].of_lot(reading)}
            for name, some in self.readings.items()
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
            left_out, of_lot = set(codes), DECLARED[name].of_lot
            kept[name] = [r for r in self.readings[name] if r.spool not in left_out or not of_lot(r)]
        return Evidence(self.readings, **kept)

    def comparable(self, limits: Limits | None, shade: ShadeRevision | None) -> Evidence:
        """Returns the readings that count under these limits and this revision, as they count."""
        given = limits.given if limits else {}
        kept = {}
        for name, some in self.readings.items():
            seen = (DECLARED[name].comparable(reading, given.get(name), shade) for reading in some)
            kept[name] = [reading for reading in seen if reading is not None]
        return Evidence(kept)


@dataclass(frozen=True, slots=True)
class Summary:
    """What is kept of a lot: mean colour, that of each measured spool and how far they lie apart, flow factors, shrinkage (None if unmeasured), spools that fail by themselves, figures for series.

    `printed` says, per characteristic that is a print, what was measured of prints of each printer and recipe. `basis` says by characteristic what its
    figures are of, where a step depends on it. `freedom` says with how many degrees of freedom their uncertainties were estimated. `wet` is the last reading that was too wet, None without any; `dry_at` says when each spool was last
    measured that is dry by its newest reading; `moisture_at` when the lot's newest moisture reading was taken, from version 3 of the rules.
    """

    lab: Lab | None = None
    flow: float | None = None
    spool_flow: Mapping[str, float] = field(default_factory=dict)
    shrinkage: Mapping[str, float] = field(default_factory=dict)
    lab_uncertainty: Vector | None = None
    shrinkage_uncertainty: Mapping[str, float] = field(default_factory=dict)
    nonconforming: Mapping[str, Sequence[Finding]] = field(default_factory=dict)
    figures: Mapping[str, Figure] = field(default_factory=dict)
    wet: Wetness | None = None
    dry_at: Mapping[str, datetime] = field(default_factory=dict)
    moisture_at: datetime | None = None
    basis: Mapping[str, Any] = field(default_factory=dict)
    spool_color: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    color_between: Between | None = None
    flow_uncertainty: float | None = None
    spool_flow_uncertainty: Mapping[str, float] = field(default_factory=dict)
    printed: Mapping[str, Mapping[str, Mapping[str, Any]]] = field(default_factory=dict)
    freedom: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


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
            if is_step(f.code) and f.hold and f.value is not None and any(self.uses[use] != "fail" for use in f.uses)
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


@dataclass(frozen=True, slots=True)
class Criteria:
    """What a lot is judged by.

    Args:
        limits: the limits revision to judge under; None when the grade has none, and then nothing passes.
        shade: the approved shade revision to compare with; None when there is none.
        nominal_mm: the grade's nominal diameter, mm.
        previous: the last accepted lot, for steps.
        retests: characteristic -> extra rounds of readings, beyond those that quality has let stand.
        rules: version of the rules to judge by, see `lots.domain.conformity.rule_versions`.
        bridges: agreement studies of instruments, by their codes.
    """

    limits: Limits | None
    shade: ShadeRevision | None
    nominal_mm: float
    previous: Previous | None = None
    retests: Mapping[str, int] | None = None
    rules: int = CURRENT
    bridges: Bridges | None = None

    def case(self, evidence: Evidence, coverage: Coverage) -> Case:
        """Returns what the characteristics are assessed by."""
        limits, previous, readings = self.limits, self.previous or Previous(), evidence.readings
        own, controls = apart_from_controls(readings) if self.rules > SECOND else (readings, {})
        return Case(
            readings=own,
            controls=controls,
            blocks=limits.given if limits else {},
            shade=self.shade,
            nominal_mm=self.nominal_mm,
            coverage=coverage,
            rule=replace(limits.rule if limits else DecisionRule(), version=self.rules),
            previous=previous,
            steps=StepRule(self.rules == FIRST, previous.accepted),
            uses={name: limits.used_by(name) for name in DECLARED} if limits else {},
            rules=self.rules,
            judging=limits is not None and not coverage.closed,
            bridges=self.bridges or {},
            estimate=Estimate(self.rules, previous.scatter, coverage.spools_in_lot or None),
        )


def assess(evidence: Evidence, coverage: Coverage, criteria: Criteria) -> Assessment:
    """Returns the assessment of a lot.

    Args:
        evidence: the readings that count.
        coverage: how many spools must be measured.
        criteria: what the lot is judged by.

    Notes:
        Colour readings under other conditions than the shade revision's, and coupons of an age the limits do not accept, are left out and counted
        in `notes`. Colours of plaques that are not opaque without its backing count against the lot and never for it: what they fail stays
        failed, everything else about them is missing. A required characteristic without any finding counts as missing.

        From version 2 on each finding is the worse of two: from the drawn spools alone, and from all that were measured. So readings of spools
        that were not drawn may refuse a lot and never release it. What is kept of the lot (mean colour, flow, shrinkage, figures) rests on
        the drawn spools alone, since it stands for the lot; what is kept of a spool rests on its own readings.

        From version 3 on a failure by one instrument, printer or build alone stands (`assess_by_source`).
    """
    notes: list[str] = []
    if criteria.rules > SECOND:
        counting, notes = by_recipe(evidence.readings, criteria.limits)
        evidence = Evidence(counting)
    if criteria.rules == FIRST:
        return _judged(evidence, coverage, criteria)
    others = evidence.not_drawn(coverage)
    mine = evidence.without(others) if others else evidence
    found = _judged(mine, coverage.of_drawn(), criteria)
    found = replace(found, notes=(*notes, *found.notes))
    if others:
        found = drawn_spools.with_others(found, _judged(evidence, coverage, criteria), others)
    return _sampled(found, mine, others, criteria, coverage.of_drawn())


def _sampled(
    found: Assessment, evidence: Evidence, others: Mapping[str, Sequence[str]], criteria: Criteria, coverage: Coverage
) -> Assessment:
    """The same assessment with the drawn spools that its findings wait for, and those that must be drawn for them."""
    limits = criteria.limits
    if limits is None:
        return found
    if not (others or any(f.more_spools for f in found.findings) or any(part.further for part in coverage.presented)):
        return replace(found, wanted=drawn_spools.made_up(coverage))
    counting = evidence.comparable(limits, criteria.shade).readings
    measured = {name: frozenset(reading.spool for reading in some) for name, some in counting.items()}
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


def _judged(evidence: Evidence, coverage: Coverage, criteria: Criteria) -> Assessment:
    """The assessment of a lot from all readings that are given."""
    limits, case = criteria.limits, criteria.case(evidence, coverage)
    parts = {name: assess_by_source(declared, case) for name, declared in DECLARED.items()}
    notes = [note for part in parts.values() for note in part.notes]
    summary = _summary(parts, case)
    if limits is None or coverage.closed:
        to_do = "limits for this grade, set by quality: without them nothing can be judged"
        unjudged: dict[str, Verdict] = dict.fromkeys(limits.required() if limits else (GENERAL,), "missing")
        waits_for = CLOSED_LOT if coverage.closed else to_do
        return Assessment("quarantined", unjudged, (), (waits_for,), tuple(notes), summary)

    each = _for_uses([finding for part in parts.values() for finding in part.each], limits)
    findings = _of_lot(evidence, parts, limits, case)
    if any(part.plan for part in coverage.presented):
        measured = _measured_in_full(parts, limits, case)
        findings = plan_counts.count_by_plan(findings, each, measured, limits, coverage, case.rules)
    findings += plan_counts.cap_retests(criteria.retests or {}, limits) + plan_counts.discontinued(coverage, limits)
    summary = replace(summary, nonconforming=plan_counts.nonconforming_spools(each))
    if case.rules == FIRST:
        notes += drawn_spools.substituted(evidence, limits, coverage)

    uses = verdicts(findings, limits)
    return Assessment(standing_of(uses), uses, tuple(findings), to_measure(findings), tuple(notes), summary)


def _summary(parts: Mapping[str, Part], case: Case) -> Summary:
    """What is kept of the lot, as its characteristics say."""
    kept = dict(item for part in parts.values() for item in part.kept.items())
    if case.rules == FIRST:
        # Its lots kept no word of a wet reading.
        kept = {name: value for name, value in kept.items() if name not in ("wet", "dry_at")}
    freedom = {name: dict(part.freedom) for name, part in parts.items() if part.freedom}
    return Summary(
        figures=dict(figure for part in parts.values() for figure in part.figures.items()),
        **kept,
        basis={name: dict(part.basis) for name, part in parts.items() if part.basis},
        freedom=freedom if case.rules > THIRD else {},
        printed=by_print(case) if case.rules > SECOND else {},
    )


def _of_lot(evidence: Evidence, parts: Mapping[str, Part], limits: Limits, case: Case) -> list[Finding]:
    """The findings of all characteristics on the lot, with their uses; none passes on too few spools."""
    findings = [finding for part in parts.values() for finding in part.findings]
    if case.rule.guarded and case.rules > FIRST:
        findings = plan_counts.one_spool_is_no_lot(findings, evidence.spools(), case.coverage)
    if case.rules > SECOND:
        counting = evidence.comparable(limits, case.shade).spools()
        findings = spools_covered.covered(findings, counting, limits, case.coverage)
    return _for_uses(findings, limits)


def _for_uses(findings: Sequence[Finding], limits: Limits) -> list[Finding]:
    """The same findings with the uses that require their characteristic."""
    return [replace(finding, uses=limits.used_by(finding.characteristic)) for finding in findings]


def _measured_in_full(parts: Mapping[str, Part], limits: Limits, case: Case) -> set[str]:
    """The spools whose sample is complete in every characteristic that a plan counts."""
    complete = [
        part.measured
        for name, part in parts.items()
        if part.measured is not None
        and (case.rules <= SECOND or spools_covered.counted_in_full(name, limits, case.coverage))
    ]
    return set(frozenset.intersection(*complete)) if complete else set()
