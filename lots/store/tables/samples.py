"""Tables of samples: additional drawn spools, and substitutes for drawn spools."""

from __future__ import annotations

from peewee import CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.deliveries import Delivery
from lots.store.tables.row import Row
from lots.store.tables.spools import Spool


class SampleDraw(Row):
    """Spools drawn from a delivery after its first sample, in the random order of its seed."""

    delivery = ForeignKeyField(Delivery, backref="draws")
    delivery_id: int
    spool_codes = Json[list[str]]()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class SampleSubstitute(Row):
    """Quality's decision to measure another spool instead of a drawn one, with its reason."""

    delivery = ForeignKeyField(Delivery, backref="substitutes")
    delivery_id: int
    drawn = ForeignKeyField(Spool, unique=True, backref="replaced_in_sample")
    drawn_id: int
    substitute = ForeignKeyField(Spool, backref="replaces_in_sample")
    substitute_id: int
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)
