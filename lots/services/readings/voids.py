"""Voids of readings, by quality at any time or by the author within ten minutes, and the agreement of quality to these.

A void states that a reading was no valid measurement. The reading itself is kept unchanged.
"""

from __future__ import annotations

from datetime import datetime

from lots.domain.assessment.voids import UNDO_WITHIN, may_undo
from lots.domain.characteristics.registry import said
from lots.domain.words import clause, moment
from lots.services import clock, views
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.assessment.lot_assessment import Terms, void_improves
from lots.services.errors import Conflict, Fault, Invalid, NotAuthor, TooLate
from lots.services.readings.recording import found, held, whole_reading
from lots.services.views import View
from lots.store import readings
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.models import Reading

UNDO_MINUTES = round(UNDO_WITHIN.total_seconds() / 60)


def void(reading_id: int, reason: str, replaced_by: int | None, by: str, *, of_quality: bool) -> View:
    """Voids a reading and assesses its lot again without it.

    An author's void that would improve the assessment is held. The lot then stays in quarantine until quality agrees.

    Args:
        of_quality: True for quality, who may void any reading at any time.

    Raises:
        NotFound: no such reading.
        NotAuthor: another person stored it.
        TooLate: it was stored more than ten minutes ago.
        Conflict: it is already void.
        Invalid: the replacement is of another lot or kind.
    """
    now = clock.now()
    with transaction():
        lot, reading = held(reading_id)
        _refuse(reading, by, now, of_quality=of_quality)
        replacement = _replacement(reading, replaced_by)
        waits = not of_quality and void_improves(lot, Terms.of(lot), reading_id)
        row = readings.void(reading, reason, replacement, by, now, held=waits)
        why = f"Reading {reading_id} ({said(reading.kind)}) voided{' by its author' if waits else ''}: {reason}"
        wrote = {"reading_void": [row.id]}
        judged, _ = judge_lot(lot, by, now, action="void", reason=why, retest=waits, what="reading voided", wrote=wrote)
        return {**whole_reading(reading_id), "lot": after(lot, judged)}


def agree(reading_id: int, reason: str, by: str) -> View:
    """Records quality's agreement to an author's void, and assesses the lot again.

    Raises:
        NotFound: no such reading.
        Conflict: it is not void, its void needs no agreement, or its author tries to agree.
    """
    now = clock.now()
    with transaction():
        lot, reading = held(reading_id)
        known = reading.void
        if known is None:
            raise Conflict(f"Reading {reading_id} is not void. There is nothing to agree to.")
        if not known.held:
            raise Conflict(f"The void of reading {reading_id} needs no agreement.")
        if agreement := known.agreement:
            raise Conflict(f"{agreement.recorded_by} already agreed to the void of reading {reading_id}.")
        if by.casefold() == known.voided_by.casefold():
            raise Conflict(f"{by} voided reading {reading_id}. A second person of quality must agree.")
        row = readings.agree(known, reason, by, now)
        why = f"Agreed to the void of reading {reading_id} ({said(reading.kind)}): {reason}"
        wrote = {"void_agreement": [row.id]}
        judged, _ = judge_lot(lot, by, now, action="agree", reason=why, what="void agreed", wrote=wrote)
        return {**whole_reading(reading_id), "lot": after(lot, judged)}


def listed(*, waiting: bool | None, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of voids. `waiting` selects those that wait for quality, or the others; None selects all."""
    return readings.voids(waiting, cursor, limit).map(views.void)


def to_void(reading_id: int, by: str, *, of_quality: bool) -> View:
    """Returns a reading that a person may void.

    Raises:
        NotFound, NotAuthor, TooLate, Conflict: as in `void`.
    """
    _refuse(found(reading_id), by, clock.now(), of_quality=of_quality)
    return whole_reading(reading_id)


def _refuse(reading: Reading, by: str, now: datetime, *, of_quality: bool) -> None:
    if not of_quality:
        _refuse_others(reading, by, now)
    if known := reading.void:
        raise Conflict(f"Reading {reading.id} was already voided by {known.voided_by}: {clause(known.reason)}")


def _refuse_others(reading: Reading, by: str, now: datetime) -> None:
    if by != reading.recorded_by:
        raise NotAuthor(
            f"{reading.recorded_by} stored reading {reading.id}, not {by}. Only its author or quality can void it. Ask quality."
        )
    if not may_undo(reading.recorded_at, now):
        raise TooLate(
            f"Reading {reading.id} was stored at {moment(reading.recorded_at)}. Its author can void it until "
            f"{moment(reading.recorded_at + UNDO_WITHIN)}. It is now {moment(now)}. Ask quality to void it."
        )


def _replacement(reading: Reading, number: int | None) -> Reading | None:
    if number is None:
        return None
    other = readings.find(number)
    if other is None or number == reading.id or (other.lot_id, other.kind) != (reading.lot_id, reading.kind):
        raise Invalid(
            Fault(
                "/replaced_by",
                f"Reading {number} is not another {said(reading.kind)} reading of the same lot.",
                "Give the number of the replacement reading, or leave it out.",
            )
        )
    return other
