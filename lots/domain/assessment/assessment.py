"""Assessment of a lot from its readings and limits: findings, verdict per use, status."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
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

# The first words of a reason that names missing readings.
STILL_TO_DO = "Still to do: "


def work_left(reasons: Iterable[str]) -> tuple[list[str], list[str]]:
    """Returns the reasons that name no work, and the work left that the others name, both without repeats.

    Example:
        >>> work_left(["Diameter fails.", "Still to do: colour.", "Still to do: gloss."])
        (['Diameter fails.'], ['colour', 'gloss'])
    """
    each = list(dict.fromkeys(reasons))
    left = [one.removeprefix(STILL_TO_DO).removesuffix(".") for one in each if one.startswith(STILL_TO_DO)]
    return [one for one in each if not one.startswith(STILL_TO_DO)], left


@dataclass(frozen=True, init=False)
class Evidence:
    """The readings of a lot by characteristic, without voided and screening readings."""

    readings: Mapping[str, Sequence[Any]]

    def __init__(self, readings: Mapping[str, Sequence[Any]] | None = None, **named: Sequence[Any]) -> None:
        if strange := named.keys() - DECLARED.keys():
            raise TypeError(f"no characteristic is named {', '.join(sorted(strange))}")
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
        """Returns the measured spools by characteristic, without control specimens."""
        return {
            name: {reading.spool for reading in some if DECLARED[name].of_lot(reading)}
            for name, some in self.readings.items()
        }

    def not_drawn(self, coverage: Coverage) -> dict[str, list[str]]:
        """Returns characteristic -> codes of measured spools that were not drawn."""
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
        """Returns the readings that count under these limits and this shade revision, converted where needed."""
        given = limits.given if limits else {}
        kept = {}
        for name, some in self.readings.items():
            seen = (DECLARED[name].comparable(reading, given.get(name), shade) for reading in some)
            kept[name] = [reading for reading in seen if reading is not None]
        return Evidence(kept)


@dataclass(frozen=True, slots=True)
class Summary:
    """The figures that are stored with a lot; None where not measured.

    `printed` holds figures per characteristic, printer and recipe. `basis` describes the figures of a characteristic where a step
    depends on it. `freedom` holds the degrees of freedom of their uncertainties. `wet` is the last reading that was too wet. `dry_at` is the
    time of the newest reading of each dry spool. `moisture_at` is the time of the lot's newest moisture reading, from version 3 of the rules.
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
    """All findings of a lot, the verdict per use, and the status from its readings, without manual decisions.

    `wanted` are further spools to draw. `told` are the notes that are shown with the status.
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
        """Returns whether the characteristic was assessed and all its findings pass."""
        about = [f for f in self.findings if f.characteristic == characteristic]
        return bool(about) and all(f.verdict == "pass" for f in about)

    def steps_held(self) -> dict[str, float]:
        """Returns the steps that wait for quality's decision: finding code -> step, in the unit of the finding."""
        return {
            f.code: f.value
            for f in self.findings
            if is_step(f.code) and f.hold and f.value is not None and any(self.uses[use] != "fail" for use in f.uses)
        }

    def settled_without_pass(self, characteristic: str) -> bool:
        """Returns whether a further reading is a retest: the evidence is complete and a finding fails or is near.

        Held findings wait for a remedy or for quality, so further readings on them are no retest.
        """
        about = [f for f in self.findings if f.characteristic == characteristic and not f.hold]
        verdicts = {f.verdict for f in about}
        return bool(verdicts & {"fail", "near"}) and "missing" not in verdicts

    def why(self, use: str) -> list[str]:
        """Returns why a use does not pass: findings that fail or are near, then the next actions, without repeats."""
        about = [f for f in self.findings if use in f.uses and f.verdict != "pass"]
        measured = [f.message for f in about if f.verdict != "missing"]
        to_do = each_once(f.to_measure for f in about if f.verdict == "missing") or ([] if about else self.to_measure)
        return [*measured, *(f"{STILL_TO_DO}{part}." for part in to_do)]


@dataclass(frozen=True, slots=True)
class Criteria:
    """The criteria of an assessment.

    Args:
        limits: the limits revision; None when the grade has none, and then nothing passes.
        shade: the approved shade revision to compare with; None without one.
        nominal_mm: the grade's nominal diameter, mm.
        previous: the last accepted lot, for steps.
        retests: characteristic -> extra rounds of readings, without those that quality accepted.
        rules: version of the rules, see `lots.domain.conformity.rule_versions`.
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
        """Returns the case that every characteristic assesses."""
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
        coverage: which spools must be measured.
        criteria: limits, reference and rules.

    Notes:
        Colour readings under conditions that differ from the reference, and coupons outside the accepted age, are left out and counted in
        `notes`. Colours of plaques that are not opaque and have another backing can only fail the lot, never pass it. A required
        characteristic without any finding counts as missing.

        From version 2 on each finding is the worse of two: from the drawn spools alone, and from all measured spools. So readings of spools
        that were not drawn can reject a lot but never release it. Stored figures of the lot come from the drawn spools alone, stored figures
        of a spool from its own readings.

        From version 3 on a failure by one instrument, printer or build alone counts (`assess_by_source`).
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
    """Returns the assessment with the drawn spools that its findings wait for and the further spools to draw."""
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
    """Returns the assessment of a lot from all readings given."""
    limits, case = criteria.limits, criteria.case(evidence, coverage)
    parts = {name: assess_by_source(declared, case) for name, declared in DECLARED.items()}
    notes = [note for part in parts.values() for note in part.notes]
    summary = _summary(parts, case)
    if limits is None or coverage.closed:
        to_do = "ask quality to set limits for this grade"
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
    """Returns the stored figures of the lot from its characteristics."""
    kept = dict(item for part in parts.values() for item in part.kept.items())
    if case.rules == FIRST:
        # Lots under version 1 store no wet readings.
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
    """Returns the findings of all characteristics on the lot, with their uses; none passes with too few spools."""
    findings = [finding for part in parts.values() for finding in part.findings]
    if case.rule.guarded and case.rules > FIRST:
        findings = plan_counts.one_spool_is_no_lot(findings, evidence.spools(), case.coverage)
    if case.rules > SECOND:
        counting = evidence.comparable(limits, case.shade).spools()
        findings = spools_covered.covered(findings, counting, limits, case.coverage)
    return _for_uses(findings, limits)


def _for_uses(findings: Sequence[Finding], limits: Limits) -> list[Finding]:
    """Returns the findings with the uses that require their characteristic."""
    return [replace(finding, uses=limits.used_by(finding.characteristic)) for finding in findings]


def _measured_in_full(parts: Mapping[str, Part], limits: Limits, case: Case) -> set[str]:
    """Returns the spools whose readings are complete in every characteristic that a plan counts."""
    complete = [
        part.measured
        for name, part in parts.items()
        if part.measured is not None
        and (case.rules <= SECOND or spools_covered.counted_in_full(name, limits, case.coverage))
    ]
    return set(frozenset.intersection(*complete)) if complete else set()
