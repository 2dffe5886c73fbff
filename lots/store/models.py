"""Tables. Rules live in the domain; here are only the constraints a row must never break.

Readings, voids, decisions, revisions and load refusals are only ever added. A load is completed once, by its unload.
"""

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

from lots.store.fields import Instant, Json
from lots.store.history_models import Chain, Event
from lots.store.setup_models import (
    Grade,
    Import,
    Instrument,
    InstrumentCheck,
    LimitsRevision,
    RepeatedRequest,
    Row,
    SchemaVersion,
    Shade,
    ShadeRevision,
    Supplier,
    Token,
)
from lots.store.study_models import STUDY_TABLES
from lots.store.supplier_models import Baseline, Resumption
from lots.store.trial_models import VisualTrial


class Lot(Row):
    """The supplier's batch, with where it stands: kept in the transaction of whatever moved it, rebuilt from readings and decisions at will."""

    supplier = ForeignKeyField(Supplier)
    grade = ForeignKeyField(Grade)
    supplier_lot = CharField(120)
    lot_key = CharField(120)
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

    class Meta:
        indexes = (
            (("supplier", "grade", "supplier_lot"), True),
            (("supplier", "grade", "lot_key"), False),
            (("supplier", "grade", "received_at"), False),
            (("grade", "received_at"), False),
            (("received_at",), False),
            (("supplier_lot",), False),
        )
        constraints = (
            Check("standing IN ('quarantined', 'released', 'restricted', 'blocked', 'returned', 'scrapped')"),
            Check("by_hand IN ('block', 'hold', 'return', 'scrap')"),
        )


class Delivery(Row):
    """One receipt against an order."""

    lot = ForeignKeyField(Lot, backref="deliveries")
    order_ref = CharField(120, null=True)
    received_at = Instant(index=True)
    due_at = Instant(null=True)
    cost = DoubleField(null=True, constraints=[Check("cost >= 0")])
    currency = CharField(3, null=True)
    sample = Json()
    note = TextField(null=True)
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


# A code typed in another case finds nothing, but is recognised.
Spool.add_index(SQL("CREATE INDEX IF NOT EXISTS spool_code_lower ON spool (LOWER(code))"))
# What is in stock is found among what is in stock, not among all that ever came.
Spool.add_index(SQL("CREATE INDEX IF NOT EXISTS spool_in_stock ON spool (lot_id) WHERE remaining_mass_g > 0"))


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

    kind = CharField(
        12,
        constraints=[
            Check("kind IN ('diameter', 'color', 'shrinkage', 'bond', 'surface', 'moisture', 'gloss', 'opacity')")
        ],
    )
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


class Decision(Row):
    """Where a lot came to stand, when, by whom or by which readings, and under which revisions."""

    lot = ForeignKeyField(Lot, backref="decisions")
    action = CharField(10)
    standing = CharField(12)
    assessed = CharField(12)
    by_hand = CharField(10, null=True)
    by_hand_reason = TextField(null=True)
    uses = Json()
    accepted = Json()
    reason = TextField()
    findings = Json()
    reading_ids = Json()
    previous = Json(null=True)
    retests_cleared = Json()
    limits_revision = ForeignKeyField(LimitsRevision, null=True)
    shade_revision = ForeignKeyField(ShadeRevision, null=True)
    decided_at = Instant()
    decided_by = CharField(120)


class Concession(Row):
    """A permission to use a nonconforming lot, asked for by one person and approved by another."""

    lot = ForeignKeyField(Lot)
    uses = Json()
    max_mass_g = DoubleField(constraints=[Check("max_mass_g > 0")])
    valid_until = Instant()
    finish_running = BooleanField()
    reason = TextField()
    requested_by = CharField(120)
    recorded_at = Instant()
    recorded_by = CharField(120)
    approved_at = Instant(null=True)
    approved_by = CharField(120, null=True)
    withdrawn_at = Instant(null=True)
    withdrawn_by = CharField(120, null=True)
    withdrawn_reason = TextField(null=True)


class Load(Row):
    """A spool on a machine for a job, until it is unloaded. Stated and recorded times are both kept."""

    spool = ForeignKeyField(Spool, backref="loads")
    lot = ForeignKeyField(Lot, backref="loads")
    machine = CharField(60)
    job = CharField(120, index=True)
    use = CharField(20)
    mass_before_g = DoubleField(constraints=[Check("mass_before_g >= 0")])
    concession = ForeignKeyField(Concession, null=True)
    reserved_g = DoubleField(null=True, constraints=[Check("reserved_g >= 0")])
    loaded_at = Instant()
    recorded_at = Instant()
    recorded_by = CharField(120)
    remaining_mass_g = DoubleField(null=True, constraints=[Check("remaining_mass_g >= 0")])
    unloaded_at = Instant(null=True)
    unload_recorded_at = Instant(null=True)
    unload_recorded_by = CharField(120, null=True)

    class Meta:
        indexes = ((("machine", "loaded_at"), False),)


# A spool is on one machine at a time, whatever the program does.
Load.add_index(SQL("CREATE UNIQUE INDEX IF NOT EXISTS load_open_spool ON load (spool_id) WHERE unloaded_at IS NULL"))
# What a machine holds now is found among what it holds now, not among all it ever held.
Load.add_index(SQL("CREATE INDEX IF NOT EXISTS load_open_machine ON load (machine) WHERE unloaded_at IS NULL"))


class Containment(Row):
    """A place that a lot had reached when it was taken out of use, to be looked after by a named person."""

    lot = ForeignKeyField(Lot)
    load = ForeignKeyField(Load)
    decision = ForeignKeyField(Decision)
    certain = BooleanField()
    why = TextField()
    opened_at = Instant()
    closed_at = Instant(null=True)
    closed_by = CharField(120, null=True)
    note = TextField(null=True)


class LoadRefusal(Row):
    """A load that was asked for and refused, with every reason given at the time."""

    spool = ForeignKeyField(Spool)
    lot = ForeignKeyField(Lot)
    machine = CharField(60)
    job = CharField(120)
    use = CharField(20)
    reasons = Json()
    refused_at = Instant()
    asked_by = CharField(120)


class CorrectiveAction(Row):
    """What a supplier was asked to do about a nonconforming lot, what it answered, and when quality closed it."""

    lot = ForeignKeyField(Lot)
    supplier = ForeignKeyField(Supplier)
    grade = ForeignKeyField(Grade)
    requested = TextField()
    due_at = Instant()
    conforming_lots = IntegerField(constraints=[Check("conforming_lots >= 1")])
    recorded_at = Instant()
    recorded_by = CharField(120)
    answered_at = Instant(null=True)
    answered_by = CharField(120, null=True)
    answer_recorded_by = CharField(120, null=True)
    cause = TextField(null=True)
    action = TextField(null=True)
    evidence = TextField(null=True)
    closed_at = Instant(null=True, index=True)
    closed_by = CharField(120, null=True)
    closing_note = TextField(null=True)
    closed_on = Json(null=True)

    class Meta:
        indexes = ((("supplier", "grade"), False),)


TABLES = (
    SchemaVersion,
    Token,
    RepeatedRequest,
    Supplier,
    Shade,
    ShadeRevision,
    Grade,
    LimitsRevision,
    Instrument,
    InstrumentCheck,
    *STUDY_TABLES,
    VisualTrial,
    Lot,
    Delivery,
    Spool,
    SpoolParent,
    SpoolLot,
    Reading,
    ReadingVoid,
    ReadingExclusion,
    Decision,
    Concession,
    Resumption,
    Load,
    Containment,
    LoadRefusal,
    Baseline,
    CorrectiveAction,
    Import,
    Chain,
    Event,
)

__all__ = [
    "TABLES",
    "Baseline",
    "Chain",
    "Concession",
    "Containment",
    "CorrectiveAction",
    "Decision",
    "Delivery",
    "Event",
    "Grade",
    "Import",
    "Instrument",
    "InstrumentCheck",
    "LimitsRevision",
    "Load",
    "LoadRefusal",
    "Lot",
    "Reading",
    "ReadingExclusion",
    "ReadingVoid",
    "RepeatedRequest",
    "Resumption",
    "Row",
    "SchemaVersion",
    "Shade",
    "ShadeRevision",
    "Spool",
    "SpoolLot",
    "SpoolParent",
    "Supplier",
    "Token",
    "VisualTrial",
]
