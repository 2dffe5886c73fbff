"""Tables of readings, their voids and their exclusions."""

from __future__ import annotations

from peewee import SQL, BooleanField, CharField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.setup import Instrument
from lots.store.tables.spools import Spool


class Reading(Row):
    """One measurement. `values` holds what its kind measures, as it was posted."""

    # The tables list no kinds, so that a new characteristic changes none of them.
    kind = CharField(60)
    spool = ForeignKeyField(Spool, backref="readings")
    spool_id: int
    lot = ForeignKeyField(Lot, backref="readings", index=False)
    lot_id: int
    instrument = ForeignKeyField(Instrument, null=True, index=False)  # the index below begins with it
    instrument_id: int | None
    measured_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    screening = BooleanField(default=False)
    retest = BooleanField(default=False)
    values = Json[dict[str, object]]()
    note = TextField(null=True)
    # True where it lies far from its neighbours: it does not count until somebody confirms it.
    to_confirm = BooleanField(null=True)
    # Of a print: the printer's build, and, of a control, the printer and recipe whose chart it belongs to.
    build_key = CharField(200, null=True)
    control_of = CharField(200, null=True)
    # What a query joined: None where it found none.
    void: ReadingVoid | None = None
    exclusion: ReadingExclusion | None = None

    class Meta:
        indexes = ((("lot", "kind", "id"), False), (("instrument", "measured_at"), False))


class ReadingVoid(Row):
    """The word that a reading does not count, and why. The reading itself stays as it was."""

    reading = ForeignKeyField(Reading, unique=True, backref="voids")
    reading_id: int
    reason = TextField()
    replaced_by = ForeignKeyField(Reading, null=True, backref="replaces")
    replaced_by_id: int | None
    voided_at = Instant()
    voided_by = CharField(120)
    # True where its author voided a reading that failed a finding: the lot waits until quality agrees.
    held = BooleanField(null=True)
    # What a query joined: None where it found none.
    agreement: VoidAgreement | None = None


class VoidAgreement(Row):
    """Quality's word that an author was right to void a reading."""

    void = ForeignKeyField(ReadingVoid, unique=True, backref="agreements")
    void_id: int
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class ReadingConfirmation(Row):
    """The word that a reading far from its neighbours is right."""

    reading = ForeignKeyField(Reading, unique=True, backref="confirmations")
    reading_id: int
    reason = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class BuildDoubt(Row):
    """That the control of a build lies outside its chart, so that what was printed beside it does not count; until quality lifts it."""

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
    """The word that a reading stands apart from its like for a named cause, with the test that showed it; until it is taken back in."""

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


# Voids that wait for quality are found among those that ever waited, not among all.
ReadingVoid.add_index(SQL("CREATE INDEX IF NOT EXISTS void_held ON reading_void (id) WHERE held"))


# Prints of one build, and earlier controls, are found among the printed, not among all.
Reading.add_index(SQL("CREATE INDEX IF NOT EXISTS reading_build ON reading (build_key) WHERE build_key IS NOT NULL"))
Reading.add_index(
    SQL("CREATE INDEX IF NOT EXISTS reading_control ON reading (kind, control_of, id) WHERE control_of IS NOT NULL")
)


# A reading is excluded once at a time, whatever the program does.
ReadingExclusion.add_index(
    SQL("CREATE UNIQUE INDEX IF NOT EXISTS exclusion_open ON reading_exclusion (reading_id) WHERE included_at IS NULL")
)
