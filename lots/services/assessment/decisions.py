"""Quality: assessments now, then and under other revisions; decisions by hand; judging again when asked."""

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
        as_of: judge by what was known then, under the revisions it was judged under then.
        limits_revision, shade_revision: numbers to judge under instead: "would now be".

    Raises:
        NotFound: no such lot, or it was not known at `as_of`.
        Invalid: no such revision.
    """
    return _assessment(OnRecord(lot_of(lot_id), as_of), limits_revision, shade_revision)


def assessment_now(record: OnRecord) -> View:
    """Returns all findings of a lot now, storing nothing."""
    return _assessment(record, None, None)


def required_of(lot_id: int) -> set[str]:
    """Returns the characteristics that the limits of a lot require for a use.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    return {finding.characteristic for finding in assess_lot(lot, Terms.of(lot)).assessment.findings if finding.uses}


def _assessment(record: OnRecord, limits_revision: int | None, shade_revision: int | None) -> View:
    lot, as_of = record.lot, record.known_at
    held = lot if as_of is None else _in_force(lot, as_of)
    limits, shade = _revisions(lot, held, limits_revision, shade_revision)
    stored = limits_revision is None and shade_revision is None
    # "Would now be" is what judging it again would make it: steps are measured from the lot accepted last by now.
    anew = as_of is None and not stored
    terms = terms_anew(lot, limits, shade) if anew else replace(Terms.of(held), limits=limits, shade=shade)
    judged = assess_lot(lot, terms, as_of, record)
    beside = exclusions.beside(record, terms)
    notes = [
        *judged.assessment.notes,
        *exclusions.asked_first(record, held),
        *beside.notes(judged.standing),
    ]
    return {
        **_assessment_view(lot, judged),
        **beside.view,
        "notes": notes,
        "as_of": as_of or clock.now(),
        "stored": stored,
    }


def _in_force(lot: Lot, as_of: datetime) -> Decision:
    """The decision in force at a moment."""
    then = decisions.in_force(lot.id, as_of)
    if then is None:
        raise NotFound(f"Lot {lot.id} was not known at {moment(as_of)}. It was recorded at {moment(lot.recorded_at)}.")
    return then


def _revisions(
    lot: Lot, held: Lot | Decision, limits_revision: int | None, shade_revision: int | None
) -> tuple[LimitsRevision | None, ShadeRevision | None]:
    """The revisions that were asked for by number, those of the lot or of a decision on it where none was."""
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
        # What a decision keeps has no kind of limit: it was not kept from the start.
        "findings": [{**finding_view(f), "limit_kind": f.limit.kind} for f in found.findings],
        "to_measure": list(found.to_measure),
        "notes": list(found.notes),
        "limits_revision": judged.limits and judged.limits.revision,
        "shade_revision": judged.shade and judged.shade.revision,
        "reading_ids": judged.reading_ids,
    }


def renewed(lot_id: int) -> View:
    """Returns how a lot is judged, and how it would be if judged again under the newest revisions. Stores nothing.

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
    """Judges a lot again under the newest revisions, as a new decision; the old one stays as it was.

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
    """Carries out a decision by hand. Blocking or holding a lot that is loaded lists where, at once.

    An accepted step is accepted up to its size of now: readings that make it larger hold the lot again.

    Raises:
        NotFound: no such lot.
        NotLegal: the decision may not follow the one in force, or not by this person; the answer says which may.
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
    """Returns why a person may not take a decision by hand on a lot now; empty where they may.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    may = _may(lot, by, clock.now())
    return "" if action in may.legal else _not_legal(lot, action, may.legal, by)


@dataclass(frozen=True, slots=True)
class _May:
    """The decisions by hand that are open, whether too many retests hold the lot, and the steps that hold it."""

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
    """The decisions that a person may take on the one in force. A return or a scrapping depends on who decided it, when, and what was loaded since."""
    if lot.by_hand not in ENDINGS:
        return legal_actions(lot.by_hand)
    ended = decisions.last_of(lot.id, lot.by_hand)
    # By a decision that is not there nobody can be told from a second person.
    if ended is None:
        return ()
    ending = Ending(ended.decided_by, ended.decided_at, store_tracing.loaded_after(lot.id, ended.decided_at))
    return legal_actions(lot.by_hand) if may_lift_ending(ending, by, now) else ()


def _not_legal(lot: Lot, action: str, legal: tuple[str, ...], by: str) -> str:
    if not legal:
        return (
            f"Lot {lot.supplier_lot} is {lot.standing}, as {by} decided. After one day, or once a spool of the lot was loaded, "
            f"that can be lifted only by a second person. Ask somebody of quality other than {by}."
        )
    if lot.by_hand in ENDINGS:
        return (
            f"Lot {lot.supplier_lot} is {lot.standing}: {clause(lot.by_hand_reason or '')} Only lift can follow that."
        )
    may = f"Allowed decisions: {listed([one.replace('_', ' ') for one in legal])}."
    if action == ACCEPT_STEP:
        return f"No step keeps lot {lot.supplier_lot} open, so there is none to accept. {may}"
    if action == "lift" and lot.standing == "blocked":
        return (
            f"Lot {lot.supplier_lot} is blocked by its readings, not by hand, so there is nothing to lift. "
            f"Void a reading that is wrong, or have it judged again under newer limits. {may}"
        )
    if action == "lift":
        return f"No block or hold by hand is in force on lot {lot.supplier_lot}, so there is nothing to lift. {may}"
    return (
        f"Lot {lot.supplier_lot} has a {lot.by_hand} by hand in force already: {clause(lot.by_hand_reason or '')} {may}"
    )


def history(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a lot's decisions, oldest first."""
    return history_of(lot_of(lot_id), cursor, limit)


def history_of(lot: Lot, cursor: str | None, limit: int) -> Page[View]:
    """Returns the same of a lot that has been found."""
    return decisions.listed(lot, cursor, limit).map(views.decision)
