"""Tables of what came and what was measured of it: lots, deliveries, spools and readings."""

from __future__ import annotations

from peewee import (
    SQL,
    BooleanField,
    CharField,
    Check,
    DoubleField,
    ForeignKeyField,
    IntegerField,
    TextField,
)

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.setup import Grade, Instrument, LimitsRevision, Row, ShadeRevision, Supplier


class Lot(Row):
    """The supplier's batch, with where it stands: kept in the transaction of whatever moved it, rebuilt from readings and decisions at will."""

    supplier = ForeignKeyField(Supplier)
    grade = ForeignKeyField(Grade)
    supplier_lot = CharField(120)
    # As version 1 folded numbers; later lots have an identity and a likeness instead.
    lot_key = CharField(120, null=True)
    received_at = Instant()
    recorded_at = Instant()
    standing = CharField(12, index=True)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json()
    why = Json()
    to_measure = Json()
    accepted = Json()
    lab = Json(null=True)
    lab_uncertainty = Json(null=True)
    shrinkage = Json()
    shrinkage_uncertainty = Json()
    flow_factor = DoubleField(null=True)
    figures = Json()
    previous = Json(null=True)
    original = Json(null=True)
    resubmission_of = ForeignKeyField("self", null=True, index=False)
    retestable = Json()
    retests_cleared = Json()
    concessions = Json()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    measured = BooleanField(default=False)
    judged_at = Instant(null=True)
    version = IntegerField(default=1)
    # The version of the rules it is judged by; none stands for the first.
    rules = IntegerField(null=True)
    # Code of a finding on a step -> the largest step from `previous` that quality accepted.
    steps_accepted = Json(null=True)
    reinspected_until = Instant(null=True)
    wet = Json(null=True)
    # None where a lot of an older shop has the identity of another already.
    identity = CharField(120, null=True)
    likeness = CharField(120, null=True)

    class Meta:
        indexes = (
            (("supplier", "grade", "supplier_lot"), True),
            (("supplier", "grade", "identity"), True),
            (("supplier", "grade", "likeness"), False),
            (("supplier", "grade", "received_at"), False),
            (("grade", "received_at"), False),
            (("received_at",), False),
            (("supplier_lot",), False),
            (("identity",), False),
        )
        constraints = (
            Check("standing IN ('quarantined', 'released', 'restricted', 'blocked', 'returned', 'scrapped')"),
            Check("by_hand IN ('block', 'hold', 'return', 'scrap')"),
        )


class Delivery(Row):
    """One receipt against an order, as it was logged. Its present values are `store/corrections.current`."""

    lot = ForeignKeyField(Lot, backref="deliveries")
    order_ref = CharField(120, null=True)
    received_at = Instant()
    due_at = Instant(null=True)
    cost = DoubleField(null=True, constraints=[Check("cost >= 0")])
    currency = CharField(3, null=True)
    sample = Json()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # When it came, as corrected; and what else was corrected: both follow from the corrections (`store/corrections.py`).
    came_at = Instant(index=True)
    corrected = Json(null=True)


class DeliveryCorrection(Row):
    """What was logged wrongly of a delivery, put right: `changes` holds field -> [was, is]. The delivery's own row stays as it was."""

    delivery = ForeignKeyField(Delivery, backref="corrections")
    changes = Json()
    closes = BooleanField(default=False)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class Spool(Row):
    """One reel. `machine` is where it is loaded now."""

    code = CharField(60, unique=True)
    lot = ForeignKeyField(Lot, backref="spools")
    delivery = ForeignKeyField(Delivery, backref="spools")
    net_mass_g = DoubleField(constraints=[Check("net_mass_g > 0 AND net_mass_g < 1e6")])
    remaining_mass_g = DoubleField(constraints=[Check("remaining_mass_g >= 0 AND remaining_mass_g < 1e6")])
    flow_factor = DoubleField(null=True)
    nonconforming = Json(null=True)
    machine = CharField(60, null=True)
    opened_at = Instant(null=True)
    dried_at = Instant(null=True)
    spliced = BooleanField(default=False)
    # None where a spool of an older shop has the identity of another already.
    identity = CharField(120, null=True, unique=True)
    likeness = CharField(120, null=True, index=True)
    # When it was last measured, where that reading was dry.
    dry_at = Instant(null=True)
    # When it was found never to have come.
    withdrawn_at = Instant(null=True)


# What is in stock is found among what is in stock, not among all that ever came.
Spool.add_index(
    SQL(
        "CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0 AND withdrawn_at IS NULL"
    )
)


class SampleDraw(Row):
    """Spools drawn from a delivery beyond its first sample, next in the order of its seed."""

    delivery = ForeignKeyField(Delivery, backref="draws")
    spool_codes = Json()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class SampleSubstitute(Row):
    """Quality's word that another spool is measured in place of one that was drawn, and why."""

    delivery = ForeignKeyField(Delivery, backref="substitutes")
    drawn = ForeignKeyField(Spool, unique=True, backref="replaced_in_sample")
    substitute = ForeignKeyField(Spool, backref="replaces_in_sample")
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class SpoolParent(Row):
    """Filament that was wound from one spool onto another."""

    spool = ForeignKeyField(Spool, backref="parents")
    parent = ForeignKeyField(Spool, backref="children")
    mass_g = DoubleField(constraints=[Check("mass_g > 0")])
    recorded_at = Instant()
    recorded_by = CharField(120)


class SpoolLot(Row):
    """A lot, beside its own, that a spliced spool holds filament of."""

    spool = ForeignKeyField(Spool, backref="further_lots")
    lot = ForeignKeyField(Lot)

    class Meta:
        indexes = ((("spool", "lot"), True),)


class Reading(Row):
    """One measurement. `values` holds what its kind measures, as it was posted."""

    # The tables list no kinds, so that a new characteristic changes none of them.
    kind = CharField(60)
    spool = ForeignKeyField(Spool, backref="readings")
    lot = ForeignKeyField(Lot, backref="readings", index=False)
    instrument = ForeignKeyField(Instrument, null=True, index=False)  # the index below begins with it
    measured_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    screening = BooleanField(default=False)
    retest = BooleanField(default=False)
    values = Json()
    note = TextField(null=True)

    class Meta:
        indexes = ((("lot", "kind", "id"), False), (("instrument", "measured_at"), False))


class ReadingVoid(Row):
    """The word that a reading does not count, and why. The reading itself stays as it was."""

    reading = ForeignKeyField(Reading, unique=True, backref="voids")
    reason = TextField()
    replaced_by = ForeignKeyField(Reading, null=True, backref="replaces")
    voided_at = Instant()
    voided_by = CharField(120)
    # True where its author voided a reading that failed a finding: the lot waits until quality agrees.
    held = BooleanField(null=True)


# Voids that wait for quality are found among those that ever waited, not among all.
ReadingVoid.add_index(SQL("CREATE INDEX IF NOT EXISTS void_held ON reading_void (id) WHERE held"))


class VoidAgreement(Row):
    """Quality's word that an author was right to void a reading."""

    void = ForeignKeyField(ReadingVoid, unique=True, backref="agreements")
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class ReadingExclusion(Row):
    """The word that a reading stands apart from its like for a named cause, with the test that showed it; until it is taken back in."""

    reading = ForeignKeyField(Reading, backref="exclusions")
    cause = CharField(12)
    reason = TextField()
    shown_by = Json()
    excluded_at = Instant()
    excluded_by = CharField(120)
    included_at = Instant(null=True)
    included_by = CharField(120, null=True)
    included_reason = TextField(null=True)


# A reading is excluded once at a time, whatever the program does.
ReadingExclusion.add_index(
    SQL("CREATE UNIQUE INDEX IF NOT EXISTS exclusion_open ON reading_exclusion (reading_id) WHERE included_at IS NULL")
)
