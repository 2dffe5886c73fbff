"""Reading the feed: entries of the history that hold changes, in order of their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from peewee import SQL

from lots.domain.production.changes import Change
from lots.store.changes.numbering import settled_up_to
from lots.store.tables.models import Event


@dataclass(frozen=True, slots=True)
class Told:
    """An entry of the feed: its number, when, who, the changes that it holds, and its hash."""

    id: int
    at: datetime
    by: str
    changes: Sequence[Change]
    hash: str


def entries(since: int, most: int, until: int | None = None) -> list[Told]:
    """Entries that hold changes, from the one numbered `since` on, at most so many, in order. One query on an index; three on PostgreSQL.

    Args:
        since: number of an entry, that one included.
        most: how many, >= 1.
        until: what `settled_up_to` answered, where the caller has asked.
    """
    until = settled_up_to() if until is None else until
    query = _announcing().where(Event.id >= since)
    if until is not None:
        query = query.where(Event.id <= until)
    return [told(row) for row in query.order_by(Event.id).limit(most)]


def newest() -> Told | None:
    """The newest entry that holds changes, None before the first. One query on an index; three on PostgreSQL."""
    until = settled_up_to()
    query = _announcing() if until is None else _announcing().where(Event.id <= until)
    row = query.order_by(Event.id.desc()).first()
    return told(row) if row else None


def _announcing() -> Any:
    # In words of SQL, as the index of the feed has it.
    return Event.select(Event.id, Event.at, Event.by, Event.content, Event.hash).where(SQL("announces"))


def told(row: Any) -> Told:
    """An entry as the feed tells it; one without changes tells none."""
    return Told(row.id, row.at, row.by, row.content.get("changes", []), row.hash)
