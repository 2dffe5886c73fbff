"""Removes what is kept for some days only: answers kept for repeated requests, and sessions of the pages. Nothing else is ever removed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from lots.store.engine.column_types import Instant
from lots.store.engine.database import transaction
from lots.store.tables.models import RepeatedRequest, WebSession

# Rows of one transaction: it ends long before anybody who waits for a turn to write gives up.
BATCH = 200
# What is removed, by the moment from which its age counts.
AGES: dict[str, tuple[type[RepeatedRequest | WebSession], Instant[datetime]]] = {
    "repeated_request": (RepeatedRequest, RepeatedRequest.recorded_at),
    "web_session": (WebSession, WebSession.ends_at),
}


def aged(table: str, before: datetime) -> int:
    """Returns how many rows of a table in `AGES` would be removed. One query on an index."""
    model, moment = AGES[table]
    return int(model.select().where(moment < before).count())


def remove(table: str, before: datetime, most: int = BATCH) -> int:
    """Removes the oldest rows of a table in `AGES` and returns how many they were.

    Args:
        before: rows of this moment and later stay.
        most: rows that are removed at once.

    Notes:
        One transaction of one statement, which finds its rows in an index. Between two of them others get their turn to write. Several
        processes may remove at once: on PostgreSQL one that finds rows held by another takes others.
        SQLite uses the free pages of its file again and does not give them back to the disk.
    """
    model, moment = AGES[table]
    with transaction():
        old = model.select(model.id).where(moment < before).order_by(moment).limit(most)
        if model._meta.database.for_update:
            old = old.for_update("FOR UPDATE SKIP LOCKED")  # type: ignore[arg-type]  # the library takes such a text
        return int(model.delete().where(model.id.in_(old)).execute())


def remove_all(table: str, before: datetime, done: Callable[[int], None], most: int = BATCH) -> int:
    """Removes every row of a table in `AGES` that is old enough, batch by batch, and returns how many they were.

    Args:
        done: told after each batch how many rows are removed by then.
    """
    removed = 0
    while taken := remove(table, before, most):
        removed += taken
        done(removed)
    return removed
