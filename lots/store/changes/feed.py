"""The feed of changes: entries of the history with changes, in order of their ids."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from peewee import SQL, ModelSelect

from lots.domain.production.changes import Change
from lots.store.changes.numbering import settled_up_to
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.tables.models import Event


@dataclass(frozen=True, slots=True)
class Told:
    """An entry of the feed: id, time, person, changes and hash."""

    id: int
    at: datetime
    by: str
    changes: Sequence[Change]
    hash: str


def entries(since: int, most: int, until: int | None = None) -> list[Told]:
    """Returns entries with changes in order of their ids. One query on an index, three on PostgreSQL.

    Args:
        since: the first id.
        most: largest number of entries, >= 1.
        until: the result of `settled_up_to`, if already known.
    """
    if until is None:
        until = settled_up_to()
    return [told(row) for row in _ENTRIES.all(since=since, until=_ALL if until is None else until, most=most)]


def newest() -> Told | None:
    """Returns the newest entry with changes, or None. One query on an index, three on PostgreSQL."""
    until = settled_up_to()
    row = _NEWEST.first(until=_ALL if until is None else until)
    return told(row) if row else None


def newest_of_all() -> tuple[int, str]:
    """Returns the id and hash of the newest entry of the history, with or without changes; (0, "") before the first. One query."""
    row = Event.select(Event.id, Event.hash).order_by(Event.id.desc()).limit(1).tuples().first()
    return (int(row[0]), str(row[1])) if row else (0, "")


# The largest possible id.
_ALL = 2**63 - 1
_COLUMNS = (Event.id, Event.at, Event.by, Event.content, Event.hash)


def _announcing() -> ModelSelect[Event]:
    # The condition must have the text of the partial index `event_announces`.
    return Event.select(*_COLUMNS).where(SQL("announces") & (Event.id <= given("until")))


_ENTRIES = Prepared(lambda: _announcing().where(Event.id >= given("since")).order_by(Event.id).limit(given("most")))
_NEWEST = Prepared(lambda: _announcing().order_by(Event.id.desc()).limit(1))


def told_in(numbers: Iterable[int]) -> dict[int, Told]:
    """Returns entries with changes by id. One query."""
    query = Event.select(*_COLUMNS).where(Event.id.in_(set(numbers)) & SQL("announces"))
    return {row.id: told(row) for row in query}


def told(row: Event) -> Told:
    """Returns a row as an entry of the feed."""
    return Told(row.id, row.at, row.by, row.content["changes"], row.hash)
