"""Tables of loads: jobs and machines, what was on them, what was refused, and what has to be looked after."""

from __future__ import annotations

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.decisions import Concession, Decision
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.spools import Spool


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
    spool_id: int
    lot = ForeignKeyField(Lot, backref="loads")
    lot_id: int
    machine = CharField(60)
    job = CharField(120, index=True)
    use = CharField(20)
    mass_before_g = DoubleField(constraints=[Check("mass_before_g >= 0")])
    concession = ForeignKeyField(Concession, null=True)
    concession_id: int | None
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
    on_machine_id: int | None
    of_job = ForeignKeyField(Job, null=True)
    of_job_id: int | None

    class Meta:
        indexes = ((("on_machine", "loaded_at"), False), (("unloaded_at",), False))


class Containment(Row):
    """A place that a lot had reached when it was taken out of use, to be looked after by a named person."""

    lot = ForeignKeyField(Lot)
    lot_id: int
    load = ForeignKeyField(Load)
    load_id: int
    decision = ForeignKeyField(Decision)
    decision_id: int
    certain = BooleanField()
    why = TextField()
    opened_at = Instant()
    closed_at = Instant(null=True)
    closed_by = CharField(120, null=True)
    note = TextField(null=True)


class LoadRefusal(Row):
    """A load that was asked for and refused, with every reason given at the time."""

    spool = ForeignKeyField(Spool)
    spool_id: int
    lot = ForeignKeyField(Lot)
    lot_id: int
    machine = CharField(60)
    job = CharField(120)
    use = CharField(20)
    reasons = Json[list[str]]()
    refused_at = Instant()
    asked_by = CharField(120)
