"""Corrective actions, and the lots received after the supplier's answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TypedDict

from peewee import Case, ModelSelect

from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import CorrectiveAction, Decision
from lots.store.tables.models import Grade, Lot, Supplier


class Asked(TypedDict):
    """The request to a supplier."""

    requested: str
    due_at: datetime
    conforming_lots: int


class Answered(TypedDict, total=False):
    """The supplier's answer."""

    cause: str
    action: str
    evidence: str
    answered_at: datetime
    answered_by: str
    answer_recorded_by: str


class Closed(TypedDict):
    """The closure of a corrective action."""

    closed_at: datetime
    closed_by: str
    closing_note: str
    closed_on: list[int]


def _with_names() -> ModelSelect[CorrectiveAction]:
    return (
        CorrectiveAction.select(CorrectiveAction, Lot, Supplier, Grade)
        .join(Lot, on=(CorrectiveAction.lot == Lot.id))
        .switch(CorrectiveAction)
        .join(Supplier, on=(CorrectiveAction.supplier == Supplier.id))
        .switch(CorrectiveAction)
        .join(Grade, on=(CorrectiveAction.grade == Grade.id))
    )


def add(lot: Lot, values: Asked, by: str, now: datetime) -> int:
    """Stores a new corrective action on a lot and returns its id."""
    made = CorrectiveAction.create(
        lot=lot, supplier=lot.supplier_id, grade=lot.grade_id, **values, recorded_by=by, recorded_at=now
    )
    return int(made.id)


def find(number: int) -> CorrectiveAction | None:
    """Returns a corrective action with its lot, supplier and grade, or None. One query."""
    found: CorrectiveAction | None = _with_names().where(CorrectiveAction.id == number).first()
    return found


def listed(filters: Mapping[str, object], now: datetime, cursor: str | None, limit: int) -> Page[CorrectiveAction]:
    """Returns a page of corrective actions with lot, supplier and grade, oldest first. `filters` has the names of the API."""
    query = _with_names()
    answered, closed = CorrectiveAction.answered_at.is_null(False), CorrectiveAction.closed_at.is_null(False)
    states = {"open": ~answered & ~closed, "answered": answered & ~closed, "closed": closed, "pending": ~closed}
    for name, value in filters.items():
        if name == "state":
            query = query.where(states[str(value)])
        elif name == "overdue":
            late = ~answered & (CorrectiveAction.due_at < now)
            query = query.where(late if value else ~late)
        else:
            query = query.where(getattr(CorrectiveAction, name.removesuffix("_id")) == value)
    return page(query, CorrectiveAction.id, cursor, limit)


def waiting_on(lot_id: int) -> list[CorrectiveAction]:
    """Returns the corrective actions on a lot that are neither answered nor closed, oldest first. One query."""
    still = CorrectiveAction.answered_at.is_null() & CorrectiveAction.closed_at.is_null()
    query = CorrectiveAction.select().where((CorrectiveAction.lot == lot_id) & still)
    return list(query.order_by(CorrectiveAction.id))


def newest_not_closed(lot_id: int, known_at: datetime | None = None) -> CorrectiveAction | None:
    """Returns the newest unanswered corrective action on a lot, else the newest answered but open one, else None. One query.

    Args:
        lot_id: the lot.
        known_at: the time of the stored state; None for now.
    """
    still = CorrectiveAction.closed_at.is_null()
    answered = CorrectiveAction.answered_at.is_null(False)
    query = _with_names().where(CorrectiveAction.lot == lot_id)
    if known_at is not None:
        query = query.where(CorrectiveAction.recorded_at <= known_at)
        still |= CorrectiveAction.closed_at > known_at
        answered &= CorrectiveAction.answered_at <= known_at
    waits_first = Case(None, [(answered, 1)], 0)
    found: CorrectiveAction | None = query.where(still).order_by(waits_first, CorrectiveAction.id.desc()).first()
    return found


def answer(number: int, values: Answered) -> bool:
    """Stores the supplier's answer. Returns False when one exists already."""
    query = CorrectiveAction.update(**values).where(
        (CorrectiveAction.id == number) & CorrectiveAction.answered_at.is_null()
    )
    return bool(query.execute())


def close(number: int, values: Closed) -> bool:
    """Closes an answered corrective action. Returns False when it was closed before."""
    query = CorrectiveAction.update(**values).where(
        (CorrectiveAction.id == number)
        & CorrectiveAction.answered_at.is_null(False)
        & CorrectiveAction.closed_at.is_null()
    )
    return bool(query.execute())


def lots_since(pairs: Iterable[tuple[int, int]], since: datetime) -> dict[tuple[int, int], list[Lot]]:
    """Returns the lots received after a time, oldest first, by (supplier, grade). One query on an index."""
    found: dict[tuple[int, int], list[Lot]] = {pair: [] for pair in pairs}
    columns = (
        Lot.id,
        Lot.supplier,
        Lot.grade,
        Lot.supplier_lot,
        Lot.received_at,
        Lot.first_inspection,
        Lot.resubmission_of,
    )
    query = Lot.select(*columns).where(
        Lot.supplier.in_(sorted({supplier for supplier, _ in found}))
        & Lot.grade.in_(sorted({grade for _, grade in found}))
        & (Lot.received_at > since)
    )
    for row in query.order_by(Lot.received_at, Lot.id):
        if (row.supplier_id, row.grade_id) in found:
            found[row.supplier_id, row.grade_id].append(row)
    return found


def lot_numbers(numbers: Iterable[int]) -> dict[int, str]:
    """Returns the supplier's lot number by lot id. At most one query."""
    wanted = sorted(set(numbers))
    if not wanted:
        return {}
    return {row.id: row.supplier_lot for row in Lot.select(Lot.id, Lot.supplier_lot).where(Lot.id.in_(wanted))}


def decided(lot_id: int) -> list[Decision]:
    """Returns the actions and findings of all decisions on a lot, oldest first. One query."""
    query = Decision.select(Decision.action, Decision.findings).where(Decision.lot == lot_id)
    return list(query.order_by(Decision.id))
