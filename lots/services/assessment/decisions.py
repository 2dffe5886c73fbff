"""Assessments now, in the past and under other revisions; manual decisions; reassessment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from lots.domain.assessment.standing_by_hand import (
    ACCEPT_STEP,
    ENDINGS,
    Ending,
    in_force_after,
    legal_actions,
    may_lift_ending,
)
from lots.domain.words import clause, listed, moment
from lots.services import clock, exposure, views
from lots.services.assessment import exclusions
from lots.services.assessment.counting import OnRecord
from lots.services.assessment.judging import Occasion, decide_lot, revisions_for, terms_anew
from lots.services.assessment.lot_after import after
from lots.services.assessment.lot_assessment import Judged, Terms, assess_lot, finding_view
from lots.services.errors import Fault, Invalid, NotFound, NotLegal
from lots.services.lookups import lot_of
from lots.services.views import View
from lots.store import readings
from lots.store.assessment import decisions, lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.production import tracing as store_tracing
from lots.store.setup import catalog
from lots.store.tables.models import Decision, LimitsRevision, Lot, ShadeRevision


def assessment(lot_id: int, as_of: datetime | None, limits_revision: int | None, shade_revision: int | None) -> View:
    """Returns all findings of a lot, storing nothing.

    Args:
        as_of: time whose records, revisions and rules apply, None for now.
        limits_revision, shade_revision: numbers of other revisions to assess under ("would now be").

    Raises:
        NotFound: no such lot, or it was not recorded at `as_of`.
        Invalid: no such revision.
    """
    return _assessment(OnRecord(lot_of(lot_id), as_of), limits_revision, shade_revision)[0]


def assessment_now(record: OnRecord) -> View:
    """Returns all findings of a lot now, with the codes of the steps that hold it, storing nothing."""
    shown, judged = _assessment(record, None, None)
    return {**shown, "steps_held": list(judged.assessment.steps_held())}


def required_of(lot_id: int) -> set[str]:
    """Returns the characteristics that the limits of a lot require for a use.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    return {finding.characteristic for finding in assess_lot(lot, Terms.of(lot)).assessment.findings if finding.uses}


def _assessment(record: OnRecord, limits_revision: int | None, shade_revision: int | None) -> tuple[View, Judged]:
    lot, as_of = record.lot, record.known_at
    held = lot if as_of is None else _in_force(lot, as_of)
    limits, shade = _revisions(lot, held, limits_revision, shade_revision)
    stored = limits_revision is None and shade_revision is None
    # "Would now be" measures steps from the lot accepted last by now, as a reassessment does.
    anew = as_of is None and not stored
    terms = terms_anew(lot, limits, shade) if anew else replace(Terms.of(held), limits=limits, shade=shade)
    judged = assess_lot(lot, terms, as_of, record)
    beside = exclusions.beside(record, terms)
    notes = [
        *judged.assessment.notes,
        *exclusions.asked_first(record, held),
        *beside.notes(judged.standing),
    ]
    shown = {
        **_assessment_view(lot, judged),
        **beside.view,
        "notes": notes,
        "as_of": as_of or clock.now(),
        "stored": stored,
    }
    return shown, judged


def _in_force(lot: Lot, as_of: datetime) -> Decision:
    """Returns the decision in force at a time."""
    then = decisions.in_force(lot.id, as_of)
    if then is None:
        raise NotFound(f"Lot {lot.id} did not exist at {moment(as_of)}. It was recorded at {moment(lot.recorded_at)}.")
    return then


def _revisions(
    lot: Lot, held: Lot | Decision, limits_revision: int | None, shade_revision: int | None
) -> tuple[LimitsRevision | None, ShadeRevision | None]:
    """Returns the revisions with the given numbers, by default those of the lot or of a decision on it."""
    limits: LimitsRevision | None = held.limits_revision
    shade: ShadeRevision | None = held.shade_revision
    grade, faults = lot.grade, []
    if limits_revision is not None:
        limits = catalog.limits_revision(grade.id, limits_revision)
        if limits is None:
            detail = f"Grade {grade.code} has no limits revision {limits_revision}."
            faults.append(Fault("limits_revision", detail, "See the limits of the grade."))
    if shade_revision is not None:
        shade = None if grade.shade_id is None else catalog.shade_revision(grade.shade_id, shade_revision)
        if shade is None:
            detail = f"The shade of grade {grade.code} has no revision {shade_revision}."
            faults.append(Fault("shade_revision", detail, "See the revisions of the shade."))
    if faults:
        raise Invalid(*faults)
    return limits, shade


def _assessment_view(lot: Lot, judged: Judged) -> View:
    found = judged.assessment
    return {
        "lot_id": lot.id,
        "standing": judged.standing,
        "assessed": found.standing,
        "uses": dict(found.uses),
        # Stored decisions lack the kind of limit, because the first versions did not store it.
        "findings": [{**finding_view(f), "limit_kind": f.limit.kind} for f in found.findings],
        "to_measure": list(found.to_measure),
        "notes": list(found.notes),
        "limits_revision": judged.limits and judged.limits.revision,
        "shade_revision": judged.shade and judged.shade.revision,
        "reading_ids": judged.reading_ids,
    }


def renewed(lot_id: int) -> View:
    """Returns the assessment of a lot, and the one under the newest revisions. Stores nothing.

    Raises:
        NotFound: no such lot.
    """
    record = OnRecord(lot_of(lot_id))
    lot, at = record.lot, clock.now()
    judged = assess_lot(lot, Terms.of(lot), record=record)
    would = assess_lot(lot, terms_anew(lot, *revisions_for(lot, renew=True)), record=record)
    now, then = ({**_assessment_view(lot, one), "as_of": at} for one in (judged, would))
    return {"lot_id": lot.id, "supplier_lot": lot.supplier_lot, "now": now, "would_be": then}


def reassess(lot_id: int, by: str) -> View:
    """Reassesses a lot under the newest revisions, as a new decision. The old decision is kept unchanged.

    Raises:
        NotFound: no such lot.
    """
    now = clock.now()
    lot_of(lot_id)
    with transaction():
        lot = lots.lock([lot_id])[lot_id]
        before = {
            "standing": lot.standing,
            "uses": lot.uses,
            "limits_revision": lot.limits_revision and lot.limits_revision.revision,
            "shade_revision": lot.shade_revision and lot.shade_revision.revision,
        }
        judged, decision = decide_lot(lot, by, now, Occasion("reassess", renew=True))
        return {
            **_assessment_view(lot, judged),
            "as_of": now,
            "before": before,
            "decision": views.decision(decision),
            "lot": after(lot, judged),
        }


def decide(lot_id: int, action: str, reason: str, by: str) -> View:
    """Carries out a manual decision, and lists where the lot is loaded.

    A step is accepted up to its present size. Readings that make it larger hold the lot again.

    Raises:
        NotFound: no such lot.
        NotLegal: the decision is not allowed now, or not by this person. The answer lists those allowed.
    """
    now = clock.now()
    lot_of(lot_id)
    with transaction():
        lot = lots.lock([lot_id])[lot_id]
        may = _may(lot, by, now)
        if action not in may.legal:
            raise NotLegal(_not_legal(lot, action, may.legal, by), legal=list(may.legal), standing=lot.standing)
        if action == "lift" and may.capped:
            lot.retests_cleared = readings.retest_rounds(lot.id)
        if action == ACCEPT_STEP:
            lot.steps_accepted = {**(lot.steps_accepted or {}), **may.steps}
        else:
            lot.by_hand = in_force_after(action)
            lot.by_hand_reason = reason if lot.by_hand else None
        judged, decision = decide_lot(lot, by, now, Occasion(action, reason, "decision made"))
        return {**views.decision(decision), "lot": after(lot, judged), "exposure": exposure.exposure(lot)}


def why_not(lot_id: int, action: str, by: str) -> str:
    """Returns the reason why a person may not take a manual decision on a lot now, "" where they may.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    may = _may(lot, by, clock.now())
    return "" if action in may.legal else _not_legal(lot, action, may.legal, by)


@dataclass(frozen=True, slots=True)
class _May:
    """The allowed manual decisions, whether too many retests hold the lot, and the steps that hold it."""

    legal: tuple[str, ...]
    capped: bool
    steps: Mapping[str, float]


def _may(lot: Lot, by: str, now: datetime) -> _May:
    found = assess_lot(lot, Terms.of(lot)).assessment if lot.by_hand is None else None
    capped = found is not None and any(finding.code == "sampling.retests" for finding in found.findings)
    steps = found.steps_held() if found is not None else {}
    legal = (*_legal(lot, by, now), *(("lift",) if capped else ()), *((ACCEPT_STEP,) if steps else ()))
    return _May(legal, capped, steps)


def _legal(lot: Lot, by: str, now: datetime) -> tuple[str, ...]:
    """Returns the decisions allowed to a person.

    Lifting a return or scrapping depends on its author, its age and later loads.
    """
    if lot.by_hand not in ENDINGS:
        return legal_actions(lot.by_hand)
    ended = decisions.last_of(lot.id, lot.by_hand)
    # Without the decision its author is unknown, so nobody counts as a second person.
    if ended is None:
        return ()
    ending = Ending(ended.decided_by, ended.decided_at, store_tracing.loaded_after(lot.id, ended.decided_at))
    return legal_actions(lot.by_hand) if may_lift_ending(ending, by, now) else ()


def _not_legal(lot: Lot, action: str, legal: tuple[str, ...], by: str) -> str:
    if not legal:
        return (
            f"Lot {lot.supplier_lot} is {lot.standing}, as {by} decided. After one day or a load of the lot, only a second person "
            f"can lift this. Ask another person of quality."
        )
    if lot.by_hand in ENDINGS:
        return f"Lot {lot.supplier_lot} is {lot.standing}: {clause(lot.by_hand_reason or '')} Allowed decisions: lift."
    may = f"Allowed decisions: {listed([one.replace('_', ' ') for one in legal])}."
    if action == ACCEPT_STEP:
        return f"Lot {lot.supplier_lot} is not waiting for a decision about a step. {may}"
    if action == "lift" and lot.standing == "blocked":
        return (
            f"Lot {lot.supplier_lot} is blocked by its readings, not by a manual decision. "
            f"Void a wrong reading, or reassess the lot under newer limits. {may}"
        )
    if action == "lift":
        return f"Lot {lot.supplier_lot} has no manual block or hold to lift. {may}"
    return f"Lot {lot.supplier_lot} already has a manual {lot.by_hand}: {clause(lot.by_hand_reason or '')} {may}"


def history(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a lot's decisions, oldest first."""
    return history_of(lot_of(lot_id), cursor, limit)


def history_of(lot: Lot, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of the decisions on a lot given as a row, oldest first."""
    return decisions.listed(lot, cursor, limit).map(views.decision)
