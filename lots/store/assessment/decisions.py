"""Decisions: the history of where a lot stood."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from peewee import JOIN

from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import Decision
from lots.store.tables.models import LimitsRevision, Lot, ShadeRevision


def add(lot: Lot, values: dict[str, Any], by: str, now: datetime) -> Any:
    """Adds a decision."""
    return Decision.create(lot=lot, **values, decided_by=by, decided_at=now)


def listed(lot: Lot, cursor: str | None, limit: int) -> Page:
    """A page of a lot's decisions with their revisions, oldest first."""
    query = (
        Decision.select(Decision, LimitsRevision, ShadeRevision)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Decision)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .where(Decision.lot == lot)
    )
    return page(query, Decision.id, cursor, limit)


def in_force(lot_id: int, at: datetime) -> Any:
    """The decision that stood at a moment, or None when the lot was not known yet."""
    return (
        Decision.select(Decision, LimitsRevision, ShadeRevision)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Decision)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .where((Decision.lot == lot_id) & (Decision.decided_at <= at))
        .order_by(Decision.id.desc())
        .first()
    )


def last_of(lot_id: int, action: str) -> Any:
    """The newest decision of a lot by this action, or None."""
    query = Decision.select().where((Decision.lot == lot_id) & (Decision.action == action))
    return query.order_by(Decision.id.desc()).first()
