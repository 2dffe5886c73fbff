"""The rows of a nonconformity report, apart from the assessment. Each function makes one query."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from peewee import JOIN

from lots.store.readings import with_agreements
from lots.store.tables.decisions import Concession, Decision
from lots.store.tables.models import LimitsRevision, Reading, ShadeRevision, Spool


def decisions_of(lot_id: int, known_at: datetime | None = None) -> list[Decision]:
    """Returns the decisions on a lot with their revisions, oldest first, up to `known_at` when given."""
    query = (
        Decision.select(Decision, LimitsRevision, ShadeRevision)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Decision)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .where(Decision.lot == lot_id)
    )
    if known_at is not None:
        query = query.where(Decision.decided_at <= known_at)
    return list(query.order_by(Decision.id))


def readings_of(
    lot_id: int, kinds: Sequence[str], known_at: datetime | None = None, *, screening: bool = False
) -> list[Reading]:
    """Returns readings of these kinds with spool, instrument, void and exclusion, by spool and id.

    Voided readings are included. Screening readings are included with `screening`.
    """
    query = with_agreements(known_at).where((Reading.lot == lot_id) & Reading.kind.in_(list(kinds)))
    if not screening:
        query = query.where(~Reading.screening)
    if known_at is not None:
        query = query.where(Reading.recorded_at <= known_at)
    return list(query.order_by(Spool.code, Reading.id))


def concessions_of(lot_id: int, known_at: datetime | None = None) -> list[Concession]:
    """Returns the concessions on a lot in the order of their requests."""
    query = Concession.select().where(Concession.lot == lot_id)
    if known_at is not None:
        query = query.where(Concession.recorded_at <= known_at)
    return list(query.order_by(Concession.id))
