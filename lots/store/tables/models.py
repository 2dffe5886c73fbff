"""Tables. Rules live in the domain; here are only the constraints a row must never break.

Readings, voids, decisions, revisions and load refusals are only ever added. A load is completed once, by its unload.
"""

from __future__ import annotations

from peewee import SQL, BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.deliveries import Delivery, DeliveryCorrection
from lots.store.tables.history import Chain, Event
from lots.store.tables.lots import Lot
from lots.store.tables.readings import Reading, ReadingExclusion, ReadingVoid, VoidAgreement
from lots.store.tables.row import Row
from lots.store.tables.samples import SampleDraw, SampleSubstitute
from lots.store.tables.setup import (
    Grade,
    Import,
    Instrument,
    InstrumentCheck,
    LimitsRevision,
    RepeatedRequest,
    SchemaVersion,
    Shade,
    ShadeRevision,
    Token,
)
from lots.store.tables.spools import Spool, SpoolLot, SpoolParent
from lots.store.tables.studies import STUDY_TABLES
from lots.store.tables.suppliers import Baseline, Resumption, Supplier
from lots.store.tables.visual_trials import VisualTrial


class Decision(Row):
    """Where a lot came to stand, when, by whom or by which readings, and under which revisions."""

    lot = ForeignKeyField(Lot, backref="decisions")
    action = CharField(20)
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
    rules = IntegerField(null=True)
    steps_accepted = Json(null=True)


class Reinspection(Row):
    """Quality's word on a lot past its shelf life: what to measure again, and until when it may then be used."""

    lot = ForeignKeyField(Lot)
    measure = Json()
    use_by = Instant()
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


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


class Job(Row):
    """A job, by its number as it was first typed."""

    number = CharField(120)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Machine(Row):
    """A machine, by its name as it was first typed, and how many spools it holds at once."""

    name = CharField(60)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    slots = IntegerField(default=1, constraints=[Check("slots >= 1")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


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
    # `machine` and `job` stay as they were typed; these say which they are.
    on_machine = ForeignKeyField(Machine, null=True, index=False)  # the index below begins with it
    of_job = ForeignKeyField(Job, null=True)

    class Meta:
        indexes = ((("on_machine", "loaded_at"), False),)


# A spool is on one machine at a time, whatever the program does.
Load.add_index(SQL("CREATE UNIQUE INDEX IF NOT EXISTS load_open_spool ON load (spool_id) WHERE unloaded_at IS NULL"))
# What a machine holds now is found among what it holds now, not among all it ever held.
Load.add_index(SQL("CREATE INDEX IF NOT EXISTS load_open_machine ON load (on_machine_id) WHERE unloaded_at IS NULL"))


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
    DeliveryCorrection,
    Spool,
    SampleDraw,
    SampleSubstitute,
    SpoolParent,
    SpoolLot,
    Reading,
    ReadingVoid,
    VoidAgreement,
    ReadingExclusion,
    Decision,
    Reinspection,
    Concession,
    Resumption,
    Job,
    Machine,
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
    "DeliveryCorrection",
    "Event",
    "Grade",
    "Import",
    "Instrument",
    "InstrumentCheck",
    "Job",
    "LimitsRevision",
    "Load",
    "LoadRefusal",
    "Lot",
    "Machine",
    "Reading",
    "ReadingExclusion",
    "ReadingVoid",
    "Reinspection",
    "RepeatedRequest",
    "Resumption",
    "Row",
    "SampleDraw",
    "SampleSubstitute",
    "SchemaVersion",
    "Shade",
    "ShadeRevision",
    "Spool",
    "SpoolLot",
    "SpoolParent",
    "Supplier",
    "Token",
    "VisualTrial",
    "VoidAgreement",
]
