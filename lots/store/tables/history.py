"""Tables of the history: entries in chains, and how long each chain is.

Entries are only ever added, and refer to lots and rows by number alone: what is proved by them must not go with what it is about.
"""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import SQL, BigIntegerField, BooleanField, CharField, Check, IntegerField

from lots.domain.production.changes import Change
from lots.store.engine.column_types import Instant, Json
from lots.store.tables.row import Row


class Covered(TypedDict):
    """The rows of a table that an entry covers: their numbers, and one digest of all of them or one of each."""

    ids: list[int]
    digest: NotRequired[str]
    digests: NotRequired[list[str]]


class Content(TypedDict):
    """What an entry says beside who did what when."""

    rows: dict[str, Covered]
    values: NotRequired[dict[str, object]]
    changes: NotRequired[list[Change]]


class Chain(Row):
    """The history of a lot, `lot:7`, or of what concerns no single lot, `shop`: how many entries it has, and the hash of the last."""

    chain = CharField(40, unique=True)
    length = IntegerField(constraints=[Check("length >= 0")])
    head = CharField(64)


class Event(Row):
    """An entry: who did what when, and the digests of the rows that were written. `hash` covers all of it and the entry before.

    `announces` follows from the content: True where it holds changes that the feed tells, else empty.
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
            # One each: a page of what a person did, or of one kind, would else be looked for in the whole history.
            (("by", "id"), False),
            (("what", "id"), False),
        )


# The feed reads what it tells among the entries that tell something.
Event.add_index(SQL("CREATE INDEX IF NOT EXISTS event_announces ON event (id) WHERE announces"))
