"""Tables of jobs, machines, loads, refused loads and containment actions."""

from __future__ import annotations

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, IntegerField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.decisions import Concession, Decision
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row
from lots.store.tables.spools import Spool


class Job(Row):
    """A job, with its number as first typed."""

    number = CharField(120)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Machine(Row):
    """A machine, with its name as first typed and its number of spool slots."""

    name = CharField(60)
    identity = CharField(120, unique=True)
    likeness = CharField(120, index=True)
    slots = IntegerField(default=1, constraints=[Check("slots >= 1")])
    version = IntegerField(default=1)
    recorded_at = Instant()
    recorded_by = CharField(120)


class Load(Row):
    """A spool loaded on a machine for a job until it is unloaded, with stated and recorded times."""

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
    # `machine` and `job` hold the names as typed. These refer to the machine and the job.
    on_machine = ForeignKeyField(Machine, null=True, index=False)  # covered by the index below
    on_machine_id: int | None
    of_job = ForeignKeyField(Job, null=True)
    of_job_id: int | None

    class Meta:
        indexes = ((("on_machine", "loaded_at"), False), (("unloaded_at",), False))


class Containment(Row):
    """A containment action: a load of a lot that was later blocked, to be dealt with by a named person."""

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
    """A refused load with all reasons at the time."""

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
