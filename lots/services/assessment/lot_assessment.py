"""Assessment of a lot from rows: readings, instruments, deliveries and revisions as domain values.

`assess_lot` stores nothing. It returns the present, a past or a hypothetical assessment.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import cast

from lots.domain.assessment.assessment import Assessment, Criteria, Evidence, assess
from lots.domain.assessment.limits_revision import Limits, limits_from
from lots.domain.assessment.printed_evidence import another_recipe
from lots.domain.assessment.reinspection import reinspected_until, still_to_do
from lots.domain.assessment.standing_by_hand import standing_after
from lots.domain.assessment.voids import Waiting, hold_back, hold_doubted, hold_unconfirmed, improves
from lots.domain.characteristics.declaring.bridge import Bridge
from lots.domain.characteristics.declaring.case import Previous, ShadeRevision, Taken
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED, declared_of
from lots.domain.conformity import rule_versions
from lots.domain.conformity.findings import Finding
from lots.domain.receiving.coverage import Coverage, Presented, Sampling, standing_in
from lots.services.assessment.between_instruments import bridges_for, reference_instrument
from lots.services.assessment.counting import HeldTo, OnRecord, select_counting
from lots.services.assessment.uncertainty import Uncertainties
from lots.services.from_rows import UNNAMED, approved_from
from lots.store import readings
from lots.store.receiving import samples
from lots.store.tables.decisions import KeptFinding, Reinspection
from lots.store.tables.models import Decision, LimitsRevision, Lot, Reading
from lots.store.tables.models import ShadeRevision as ShadeRevisionRow


@dataclass(frozen=True, slots=True)
class Judged:
    """An assessment with its terms and evidence.

    Args:
        assessment: the findings.
        limits, shade: revisions, or None.
        by_hand: manual decision in force.
        reading_ids: readings that counted.
        recorded: number of readings, with those that did not count.
        coverage: spools drawn and measured.
        sources: instruments and printers of the readings, by kind.
        rules: version of the rules.
        evidence, rows: readings that counted, as domain values and as rows.
        reinspected_until: end of the shelf life after re-inspections.
        doubted: suspect builds whose prints were left out.
    """

    assessment: Assessment
    limits: LimitsRevision | None
    shade: ShadeRevisionRow | None
    by_hand: str | None
    reading_ids: list[int]
    recorded: int
    coverage: Coverage
    sources: dict[str, list[str]]
    rules: int
    evidence: Evidence
    rows: list[Reading] = field(default_factory=list)
    reinspected_until: datetime | None = None
    doubted: tuple[str, ...] = ()

    @property
    def standing(self) -> str:
        """The status of the lot, with the manual decision."""
        return standing_after(self.assessment.standing, self.by_hand)


def evidence_from(rows: Iterable[Reading], known: Uncertainties | None = None) -> Evidence:
    """Returns readings as evidence, with the known uncertainties, by default without any."""
    known = known or Uncertainties()
    found: dict[str, list[object]] = {}
    for row in rows:
        found.setdefault(row.kind, []).append(reading_from(row, known.of(row)))
    return Evidence(found)


def reading_from(row: Reading, uncertainty: float | None = None) -> object:
    """Returns a reading as the domain value of its characteristic, with its standard uncertainty if known."""
    origin = Origin.of(row.values, row.instrument.code if row.instrument else None)
    taken = Taken(row.spool.code, row.values, row.measured_at, uncertainty, step_of(row), origin)
    return declared_of(row.kind).reading(taken)


def step_of(row: Reading) -> float | None:
    """Returns the resolution of a reading's instrument, None if not stated."""
    return row.instrument.resolution if row.instrument else None


@dataclass(frozen=True, slots=True)
class Terms:
    """The terms of an assessment, as stored on the lot and on each decision.

    Args:
        limits, shade: revisions, or None.
        by_hand: manual decision in force.
        previous: figures of the earlier lot that steps are measured from.
        retests_cleared: extra rounds of readings by characteristic that quality accepted.
        rules: version of the rules.
        steps_accepted: code of a step from the previous lot -> largest accepted size.
    """

    limits: LimitsRevision | None
    shade: ShadeRevisionRow | None
    by_hand: str | None
    previous: dict[str, object] | None
    retests_cleared: dict[str, int]
    rules: int
    steps_accepted: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, held: Lot | Decision) -> Terms:
        """Returns the terms of a lot or of a decision."""
        return cls(
            held.limits_revision,
            held.shade_revision,
            held.by_hand,
            held.previous,
            held.retests_cleared,
            held.rules or rule_versions.FIRST,
            held.steps_accepted or {},
        )


def assess_lot(
    lot: Lot,
    terms: Terms,
    known_at: datetime | None = None,
    record: OnRecord | None = None,
) -> Judged:
    """Returns the assessment of a lot under given terms. Stores nothing. Four to eight queries.

    Args:
        lot: the lot, with its grade.
        terms: terms of the assessment.
        known_at: time up to which records count, None for all.
        record: the record at that time, if the caller has one.
    """
    record = record or OnRecord(lot, known_at)
    return assess_record(record, terms, [row for row in record.readings if not readings.is_excluded(row)])


def assess_record(record: OnRecord, terms: Terms, found: Sequence[Reading]) -> Judged:
    """Returns the assessment of a lot by the readings `found`. Stores nothing."""
    known_at = record.known_at
    counting = [row for row in found if not readings.void_waits(row, known_at)]
    judged = _undoubted(record, terms, counting)
    if len(counting) < len(found):
        judged = _held_back(judged, _undoubted(record, terms, found), found, known_at)
    again = _inspected_again(record, terms, counting)
    if not again:
        return judged
    to_do = tuple(dict.fromkeys([*judged.assessment.to_measure, *again[-1][1]]))
    until = reinspected_until((row.use_by, not lacking) for row, lacking in again)
    return replace(judged, assessment=replace(judged.assessment, to_measure=to_do), reinspected_until=until)


def _undoubted(record: OnRecord, terms: Terms, rows: Sequence[Reading]) -> Judged:
    """Returns an assessment that a suspect build cannot improve before quality decides."""
    judged = _judged(record, terms, rows)
    if not judged.doubted:
        return judged
    counted = _judged(record, terms, rows, doubts=False)
    agreed = limits_from(judged.limits.body) if judged.limits else None
    held = hold_doubted(judged.assessment, counted.assessment, " and ".join(judged.doubted), agreed)
    return replace(judged, assessment=held)


def _held_back(judged: Judged, counted: Judged, found: Sequence[Reading], known_at: datetime | None) -> Judged:
    """Returns an assessment that an author's void cannot improve before quality agrees."""
    waiting = [(row.id, row.kind) for row in found if readings.void_waits(row, known_at)]
    agreed = limits_from(judged.limits.body) if judged.limits else None
    return replace(judged, assessment=hold_back(judged.assessment, counted.assessment, waiting, agreed))


def inspected_again(record: OnRecord) -> list[tuple[Reinspection, tuple[str, ...]]]:
    """Returns the re-inspections of a lot in the order they were recorded, each with the work left."""
    if not record.reinspections:
        return []
    return _inspected_again(record, Terms.of(record.lot), readings.counting_among(record.readings))


def _inspected_again(
    record: OnRecord, terms: Terms, counting: Sequence[Reading]
) -> list[tuple[Reinspection, tuple[str, ...]]]:
    """Returns the re-inspections on record, each with the work left by its new readings."""
    # Steps are not assessed again. The spread lent by earlier lots is kept.
    scatter = (terms.previous or {}).get("scatter")
    alone = replace(terms, previous={"scatter": scatter} if scatter else None)
    found: list[tuple[Reinspection, tuple[str, ...]]] = []
    for row in record.reinspections:
        since = [r for r in counting if min(r.measured_at, r.recorded_at) > row.recorded_at]
        lacking: list[str] = []
        for name in row.measure:
            # Quality chooses the spools to measure again.
            codes = tuple(sorted({r.spool.code for r in since if r.kind == name}))
            new = _judged(record, alone, since, Coverage.of(max(len(codes), 1), 1, codes))
            lacking += still_to_do(new.assessment, name)
        found.append((row, tuple(dict.fromkeys(lacking))))
    return found


def void_improves(lot: Lot, terms: Terms, number: int) -> bool:
    """Returns whether a void would improve the assessment of a lot, with or without the readings whose void waits."""
    record = OnRecord(lot)
    found = [row for row in record.readings if not readings.is_excluded(row)]
    counting = [row for row in found if not readings.void_waits(row)]
    return any(
        improves(
            _judged(record, terms, rows).assessment,
            _judged(record, terms, [row for row in rows if row.id != number]).assessment,
        )
        for rows in (found, counting)
    )


def _judged(
    record: OnRecord,
    terms: Terms,
    recorded: Sequence[Reading],
    coverage: Coverage | None = None,
    *,
    doubts: bool = True,
) -> Judged:
    """Returns the assessment of a lot by these readings alone.

    Args:
        coverage: by default that of its deliveries.
        doubts: True to leave out prints of a suspect build.
    """
    limits, shade, retests_cleared = terms.limits, terms.shade, terms.retests_cleared
    left = select_counting(recorded, replace(HeldTo.by(limits, terms.rules), doubts=doubts), record.about)
    rows = left.rows
    agreed = limits_from(limits.body) if limits else None
    reference: str | None = None
    bridges: dict[frozenset[str], Bridge] = {}
    if terms.rules > rule_versions.SECOND:
        reference = reference_instrument(shade, rows)
        bridges = bridges_for(rows, reference, terms.previous, record.known_at)
    approved = approved_from(shade, reference) if shade is not None else None
    coverage = coverage or coverage_of(record, agreed, recorded, terms.rules)
    known = record.about.uncertainties
    retests: dict[str, int] = {}
    if agreed is not None and agreed.sampling.retest_rounds_max is not None:
        retests = {kind: count - retests_cleared.get(kind, 0) for kind, count in record.retest_rounds.items()}
    evidence = evidence_from(rows, known)
    found = assess(
        evidence,
        coverage,
        Criteria(
            agreed,
            approved,
            record.lot.grade.nominal_diameter_mm,
            Previous.from_kept(terms.previous or {}, terms.steps_accepted),
            retests,
            terms.rules,
            bridges,
        ),
    )
    found = hold_unconfirmed(found, _waiting(left.waiting, agreed, approved), agreed)
    found = replace(found, notes=(*left.notes, *found.notes), findings=known.told(found.findings, rows))
    return Judged(
        found,
        limits,
        shade,
        terms.by_hand,
        [row.id for row in rows],
        len(recorded),
        coverage,
        _sources(rows),
        terms.rules,
        evidence,
        rows,
        doubted=left.builds,
    )


def _waiting(rows: Sequence[Reading], agreed: Limits | None, approved: ShadeRevision | None) -> list[Waiting]:
    """Returns the readings that would count once confirmed."""
    given = agreed.given if agreed else {}
    found = []
    for row in rows:
        declared = DECLARED[row.kind]
        recipe = another_recipe(Origin.of(row.values), agreed, row.kind)
        if recipe is None and declared.comparable(reading_from(row), given.get(row.kind), approved) is not None:
            found.append(Waiting(row.id, row.kind, row.spool.code, declared.says(row.values)))
    return found


def _sources(rows: Sequence[Reading]) -> dict[str, list[str]]:
    """Returns instruments and printers of the readings, by kind.

    A change of these interrupts a drift series unless it is bridged.
    """
    found: dict[str, set[str]] = {}
    for row in rows:
        named = found.setdefault(row.kind, set())
        named.add(row.instrument.code if row.instrument else UNNAMED)
        named |= {
            one.source.format(row.values[one.name])
            for one in DECLARED[row.kind].fields
            if one.source and row.values.get(one.name)
        }
    return {kind: sorted(named) for kind, named in found.items()}


def coverage_of(record: OnRecord, agreed: Limits | None, rows: Sequence[Reading], version: int) -> Coverage:
    """Returns the spools of each open delivery that must be measured, under the severity at its receipt."""
    measured: dict[int, set[str]] = {}
    for row in rows:
        measured.setdefault(row.spool.delivery_id, set()).add(row.spool.code)
    sampling = agreed.sampling if agreed else Sampling()
    changed: dict[int, samples.Changes] = record.samples if version != rule_versions.FIRST else {}
    parts = []
    for one in record.deliveries:
        delivery, sample, spools = one.logged, one.now.sample, one.spools
        severity = sample.get("severity", "normal")
        codes = frozenset(measured.get(delivery.id, ()))
        changes = changed.get(delivery.id, samples.Changes())
        first, *further = drawn_of(sample, changes)
        parts.append(
            Presented(
                spools,
                sampling.required(max(spools, 1), severity),
                first,
                codes,
                sampling.plan(max(spools, 1), severity),
                severity == "discontinued" and (record.resumed is None or record.resumed < delivery.recorded_at),
                tuple(further),
                delivery=delivery.id,
                replaced=len(changes.substitutes),
            )
        )
    return Coverage(tuple(parts))


def drawn_of(sample: Mapping[str, object], changes: samples.Changes) -> list[tuple[str, ...]]:
    """Returns the codes of each draw from a delivery in order, with substitutes and without withdrawn spools."""
    instead = {row.drawn.code: row.substitute.code for row in changes.substitutes}
    groups = [cast("list[str]", sample["spool_codes"]), *(row.spool_codes for row in changes.draws)]
    return [
        tuple(code for code in (standing_in(code, instead) for code in group) if code not in changes.withdrawn)
        for group in groups
    ]


def finding_view(found: Finding) -> KeptFinding:
    """Returns a finding as answers and decisions contain it."""
    return {
        "code": found.code,
        "characteristic": found.characteristic,
        "measure": found.measure,
        "verdict": found.verdict,
        "value": found.value,
        "limit": found.limit.as_json(),
        "unit": found.limit.unit,
        "n": found.n,
        "spools": found.spools,
        "uncertainty": found.uncertainty,
        "guard_band": found.guard,
        "coverage_factor": found.coverage_factor,
        "degrees_of_freedom": _df(found.budget.df) if found.budget else None,
        "uncertainty_budget": [
            {"source": one.source or "stated", "standard_uncertainty": one.u, "degrees_of_freedom": _df(one.df)}
            for one in (found.budget.contributions if found.budget else ())
        ],
        "interval_95": list(found.interval) if found.interval else None,
        "margin": found.margin,
        "conformance_probability": found.conformance,
        "claimable": found.claimable,
        "too_coarse": found.coarse,
        "subject": found.subject or None,
        "detail": found.detail or None,
        "uses": list(found.uses),
        "hold": found.hold,
        "message": found.message,
        "to_measure": found.to_measure or None,
    }


def _df(df: float) -> float | None:
    """Returns degrees of freedom, None for infinitely many."""
    return None if math.isinf(df) else df
