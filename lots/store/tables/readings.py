"""Tables of readings, their voids, confirmations and exclusions, and of suspect builds."""

from __future__ import annotations

from peewee import SQL, BooleanField, CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.setup import Instrument
from lots.store.tables.spools import Spool


class Reading(Row):
    """A measurement. `values` holds its measured values as sent."""

    # The kinds are not listed in a constraint, so a new characteristic needs no migration.
    kind = CharField(60)
    spool = ForeignKeyField(Spool, backref="readings")
    spool_id: int
    lot = ForeignKeyField(Lot, backref="readings", index=False)
    lot_id: int
    instrument = ForeignKeyField(Instrument, null=True, index=False)  # covered by the index below
    instrument_id: int | None
    measured_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    screening = BooleanField(default=False)
    retest = BooleanField(default=False)
    values = Json[dict[str, object]]()
    note = TextField(null=True)
    # True for a value far from its neighbours, which does not count until confirmed.
    to_confirm = BooleanField(null=True)
    # Of a test print: its build. Of a control print: the printer and recipe of its control chart.
    build_key = CharField(200, null=True)
    control_of = CharField(200, null=True)
    # Joined rows, None if absent.
    void: ReadingVoid | None = None
    exclusion: ReadingExclusion | None = None

    class Meta:
        indexes = ((("lot", "kind", "id"), False), (("instrument", "measured_at"), False))


class ReadingVoid(Row):
    """The void of a reading, with its reason. The reading itself does not change."""

    reading = ForeignKeyField(Reading, unique=True, backref="voids")
    reading_id: int
    reason = TextField()
    replaced_by = ForeignKeyField(Reading, null=True, backref="replaces")
    replaced_by_id: int | None
    voided_at = Instant()
    voided_by = CharField(120)
    # True if the author of a failing reading voided it. The lot then waits for quality's agreement.
    held = BooleanField(null=True)
    # The joined row, None if absent.
    agreement: VoidAgreement | None = None


class VoidAgreement(Row):
    """Quality's agreement to a void by the author of the reading."""

    void = ForeignKeyField(ReadingVoid, unique=True, backref="agreements")
    void_id: int
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class ReadingConfirmation(Row):
    """The confirmation of a reading far from its neighbours."""

    reading = ForeignKeyField(Reading, unique=True, backref="confirmations")
    reading_id: int
    reason = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class BuildDoubt(Row):
    """A suspect build, whose control print is outside its control chart. Its readings do not count until quality lifts this."""

    kind = CharField(60)
    build_key = CharField(200)
    says = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)
    lifted_at = Instant(null=True)
    lifted_by = CharField(120, null=True)
    lifted_reason = TextField(null=True)

    class Meta:
        indexes = ((("build_key", "kind"), False),)


class ReadingExclusion(Row):
    """The exclusion of an outlier for an assignable cause, with the outlier test, until it is included again."""

    reading = ForeignKeyField(Reading, backref="exclusions")
    reading_id: int
    cause = CharField(12)
    reason = TextField()
    shown_by = Json[list[dict[str, object]]]()
    excluded_at = Instant()
    excluded_by = CharField(120)
    included_at = Instant(null=True)
    included_by = CharField(120, null=True)
    included_reason = TextField(null=True)


# A partial index, so that a query of voids that wait for quality reads few others.
ReadingVoid.add_index(SQL("CREATE INDEX IF NOT EXISTS void_held ON reading_void (id) WHERE held"))


# Partial indexes of test prints by build, and of control prints by chart.
Reading.add_index(SQL("CREATE INDEX IF NOT EXISTS reading_build ON reading (build_key) WHERE build_key IS NOT NULL"))
Reading.add_index(
    SQL("CREATE INDEX IF NOT EXISTS reading_control ON reading (kind, control_of, id) WHERE control_of IS NOT NULL")
)


# The index ensures that a reading has at most one open exclusion.
ReadingExclusion.add_index(
    SQL("CREATE UNIQUE INDEX IF NOT EXISTS exclusion_open ON reading_exclusion (reading_id) WHERE included_at IS NULL")
)
