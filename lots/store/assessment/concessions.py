"""Concessions, and the mass that loads have used under them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from peewee import fn

from lots.store.engine.paging import Page, page
from lots.store.setup.names import with_names
from lots.store.tables.decisions import Concession
from lots.store.tables.loads import Load
from lots.store.tables.models import Lot


def add(lot: Lot, values: Mapping[str, object], by: str, now: datetime) -> Concession:
    """Stores a request for a concession."""
    return Concession.create(lot=lot, **values, recorded_by=by, recorded_at=now)


def find(number: int) -> Concession | None:
    """Returns a concession with its lot, or None."""
    return Concession.select(Concession, Lot).join(Lot).where(Concession.id == number).get_or_none()


def listed(lot: Lot, cursor: str | None, limit: int) -> Page[Concession]:
    """Returns a page of a lot's concessions in the order of their requests."""
    return page(Concession.select(Concession, Lot).join(Lot).where(Concession.lot == lot), Concession.id, cursor, limit)


def of_lot(lot_id: int) -> list[Concession]:
    """Returns the approved concessions of a lot that were not withdrawn."""
    query = Concession.select().where(
        (Concession.lot == lot_id) & Concession.approved_at.is_null(False) & Concession.withdrawn_at.is_null()
    )
    return list(query.order_by(Concession.id))


def approve(concession: Concession, by: str, now: datetime) -> bool:
    """Approves a concession. Returns False when it was approved or withdrawn before."""
    query = Concession.update(approved_by=by, approved_at=now).where(
        (Concession.id == concession.id) & Concession.approved_at.is_null() & Concession.withdrawn_at.is_null()
    )
    return bool(query.execute())


def withdraw(concession: Concession, reason: str, by: str, now: datetime) -> bool:
    """Withdraws a concession. Returns False when it was withdrawn before."""
    query = Concession.update(withdrawn_by=by, withdrawn_at=now, withdrawn_reason=reason).where(
        (Concession.id == concession.id) & Concession.withdrawn_at.is_null()
    )
    return bool(query.execute())


def taken_g(numbers: list[int]) -> dict[int, float]:
    """Returns the mass taken by loads under each concession, g: used by ended loads, reserved by running loads. One query."""
    if not numbers:
        return {}
    used = fn.COALESCE(Load.mass_before_g - Load.remaining_mass_g, Load.reserved_g)
    query = Load.select(Load.concession, fn.SUM(used)).where(Load.concession.in_(numbers)).group_by(Load.concession)
    return {number: float(taken) for number, taken in query.tuples().iterator()}


def running(numbers: list[int]) -> dict[int, list[Load]]:
    """Returns the running loads by concession, with spool, lot, job and machine. One query, none without concessions."""
    found: dict[int, list[Load]] = {number: [] for number in numbers}
    if not numbers:
        return found
    query = with_names().where(Load.concession.in_(numbers) & Load.unloaded_at.is_null()).order_by(Load.id)
    for row in query:
        if row.concession_id is not None:
            found[row.concession_id].append(row)
    return found


def to_approve() -> list[Concession]:
    """Returns the concessions that wait for approval, each with its lot, in the order of their requests. One query."""
    waiting = Concession.approved_at.is_null() & Concession.withdrawn_at.is_null()
    return list(Concession.select(Concession, Lot).join(Lot).where(waiting).order_by(Concession.id))
