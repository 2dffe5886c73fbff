"""Deletes rows after their retention time: idempotency answers and sessions of the pages. No other rows are ever deleted."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from lots.store.engine.column_types import Instant
from lots.store.engine.database import transaction
from lots.store.tables.models import RepeatedRequest, WebSession

# Rows per transaction. It is much shorter than the longest wait of a writer.
BATCH = 200
# Table -> model and the time from which its age counts.
AGES: dict[str, tuple[type[RepeatedRequest | WebSession], Instant[datetime]]] = {
    "repeated_request": (RepeatedRequest, RepeatedRequest.recorded_at),
    "web_session": (WebSession, WebSession.ends_at),
}


def aged(table: str, before: datetime) -> int:
    """Returns the number of rows older than a time in a table of `AGES`. One query on an index."""
    model, moment = AGES[table]
    return int(model.select().where(moment < before).count())


def remove(table: str, before: datetime, most: int = BATCH) -> int:
    """Deletes the oldest rows of a table in `AGES` and returns their number.

    Args:
        table: a key of `AGES`.
        before: rows of this time and later stay.
        most: rows to delete.

    Notes:
        One transaction of one statement on an index, so other writers wait only briefly. Several processes may delete at once. On
        PostgreSQL each skips rows locked by another. An SQLite file reuses its free pages but does not shrink.
    """
    model, moment = AGES[table]
    with transaction():
        old = model.select(model.id).where(moment < before).order_by(moment).limit(most)
        if model._meta.database.for_update:
            old = old.for_update("FOR UPDATE SKIP LOCKED")  # type: ignore[arg-type]  # the library accepts this text
        return int(model.delete().where(model.id.in_(old)).execute())


def remove_all(table: str, before: datetime, done: Callable[[int], None], most: int = BATCH) -> int:
    """Deletes all rows older than a time in a table of `AGES`, batch by batch, and returns their number.

    Args:
        table: a key of `AGES`.
        before: rows of this time and later stay.
        done: called after each batch with the number of rows deleted so far.
        most: rows per batch.
    """
    removed = 0
    while taken := remove(table, before, most):
        removed += taken
        done(removed)
    return removed
