"""Confirmation of a reading far from the others, by quality or by its author. The reading counts from then on."""

from __future__ import annotations

from lots.services import clock
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.errors import Conflict, NotAuthor
from lots.services.readings.recording import held, whole_reading
from lots.services.views import View
from lots.store import readings
from lots.store.engine.database import transaction
from lots.store.tables.models import Reading


def confirm(reading_id: int, reason: str | None, by: str, *, of_quality: bool) -> View:
    """Confirms a reading far from the others, and assesses its lot with it.

    Args:
        reason: why it is right (optional).
        of_quality: True for quality, who may confirm any reading.

    Raises:
        NotFound: no such reading.
        NotAuthor: another person stored it.
        Conflict: it needs no confirmation, is void, or is already confirmed.
    """
    now = clock.now()
    with transaction():
        lot, reading = held(reading_id)
        if not of_quality and by != reading.recorded_by:
            detail = f"{reading.recorded_by} stored reading {reading_id}, not {by}."
            raise NotAuthor(f"{detail} Only its author or quality can confirm it. Ask quality.")
        _refuse_needless(reading)
        row = readings.confirm(reading, reason, by, now)
        wrote = {"reading_confirmation": [row.id]}
        judged, _ = judge_lot(lot, by, now, what="reading confirmed", wrote=wrote)
        return {**whole_reading(reading_id), "lot": after(lot, judged)}


def _refuse_needless(reading: Reading) -> None:
    if void := reading.void:
        raise Conflict(f"Reading {reading.id} was voided by {void.voided_by}. There is nothing to confirm.")
    if not reading.to_confirm:
        raise Conflict(f"Reading {reading.id} is not far from the other readings. There is nothing to confirm.")
    if known := readings.confirmation(reading.id):
        raise Conflict(f"Reading {reading.id} was already confirmed by {known.recorded_by}.")
