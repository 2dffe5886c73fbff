"""Decisions, the history of a lot's status."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from functools import reduce
from operator import or_

from peewee import JOIN, ModelSelect, fn

from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import Decision
from lots.store.tables.models import LimitsRevision, Lot, ShadeRevision


def add(lot: Lot, values: Mapping[str, object], by: str, now: datetime) -> Decision:
    """Stores a decision."""
    return Decision.create(lot=lot, **values, decided_by=by, decided_at=now)


def _with_revisions() -> ModelSelect[Decision]:
    return (
        Decision.select(Decision, LimitsRevision, ShadeRevision)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Decision)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
    )


def listed(lot: Lot, cursor: str | None, limit: int) -> Page[Decision]:
    """Returns a page of a lot's decisions with their revisions, oldest first."""
    return page(_with_revisions().where(Decision.lot == lot), Decision.id, cursor, limit)


def in_force(lot_id: int, at: datetime) -> Decision | None:
    """Returns the decision in force at a time, or None before the first."""
    query = _with_revisions().where((Decision.lot == lot_id) & (Decision.decided_at <= at))
    return query.order_by(Decision.id.desc()).get_or_none()


def in_force_at(moments: Mapping[int, datetime]) -> dict[int, Decision]:
    """Returns the decision in force by lot, each at its own time. Lots without one are left out. One query, none without lots."""
    if not moments:
        return {}
    each = Decision.alias()
    stood = reduce(or_, ((each.lot == lot) & (each.decided_at <= at) for lot, at in moments.items()))
    newest = each.select(fn.MAX(each.id)).where(stood).group_by(each.lot)
    return {row.lot_id: row for row in _with_revisions().where(Decision.id.in_(newest))}


def last_of(lot_id: int, action: str) -> Decision | None:
    """Returns the newest decision of a lot with this action, or None."""
    query = Decision.select().where((Decision.lot == lot_id) & (Decision.action == action))
    return query.order_by(Decision.id.desc()).get_or_none()
