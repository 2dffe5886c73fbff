"""Tables of the history: hash chains and their entries.

Entries are only added. They refer to lots and rows by id without foreign keys, so that they remain when such a row is lost.
"""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import SQL, BigIntegerField, BooleanField, CharField, Check, IntegerField

from lots.domain.production.changes import Change
from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row


class Covered(TypedDict):
    """The rows of a table that an entry covers: their ids, and one digest of all rows or one per row."""

    ids: list[int]
    digest: NotRequired[str]
    digests: NotRequired[list[str]]


class Content(TypedDict):
    """The content of an entry: covered rows, values and changes."""

    rows: dict[str, Covered]
    values: NotRequired[dict[str, object]]
    changes: NotRequired[list[Change]]


class Chain(Row):
    """A hash chain, with its number of entries and its last hash. `lot:7` is the history of a lot, `shop` everything else."""

    chain = CharField(40, unique=True)
    length = IntegerField(constraints=[Check("length >= 0")])
    head = CharField(64)


class Event(Row):
    """An entry of the history: who did what and when, with digests of the written rows. `hash` covers it and the previous entry.

    `announces` follows from the content. It is True if the entry has changes for the feed, else NULL.
    """

    chain = CharField(40)
    number = IntegerField()
    lot_id = BigIntegerField(null=True)
    at = Instant(index=True)
    by = CharField(120)
    what = CharField(60)
    content = Json[Content]()
    previous = CharField(64)
    hash = CharField(64)
    announces = BooleanField(null=True)

    class Meta:
        indexes = (
            (("chain", "number"), True),
            (("lot_id", "id"), False),
            # Without these, a page filtered by person or action would scan the whole history.
            (("by", "id"), False),
            (("what", "id"), False),
        )


# A partial index, so that the feed reads only entries with changes.
Event.add_index(SQL("CREATE INDEX IF NOT EXISTS event_announces ON event (id) WHERE announces"))
