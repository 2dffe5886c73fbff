"""Loads of spools on machines for jobs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, NotRequired, TypedDict, cast

from peewee import JOIN, ModelSelect

from lots.domain.code_identity import identity
from lots.store.assessment.lots import LOT_TO_CHECK
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.setup import names
from lots.store.setup.names import with_names
from lots.store.setup.spool_codes import spool_number
from lots.store.tables.loads import Job, Load, LoadRefusal, Machine
from lots.store.tables.models import Grade, LimitsRevision, Lot, ShadeRevision, Spool, SpoolLot

if TYPE_CHECKING:

    class _MachineWithLoad(Machine):
        load: Load | None

    class _LotThere(Lot):
        spool: Spool
        job: Job


class NewLoad(TypedDict):
    """The columns of a new load. `machine` and `job` are as typed."""

    machine: str
    job: str
    use: str
    loaded_at: datetime
    concession: NotRequired[int]
    reserved_g: NotRequired[float]


def add(spool: Spool, values: NewLoad, by: str, now: datetime) -> tuple[Load, dict[str, list[int]]]:
    """Stores a load. Returns it, and the ids of all new rows by table."""
    job, made_job = names.named("job", values["job"], by, now)
    machine, made_machine = names.named("machine", values["machine"], by, now)
    here = {"spool": spool, "lot": spool.lot, "mass_before_g": spool.remaining_mass_g}
    stored = Load.create(**here, **values, of_job=job, on_machine=machine, recorded_by=by, recorded_at=now)
    return stored, {"load": [stored.id], "job": made_job, "machine": made_machine}


def refuse(spool: Spool, values: Mapping[str, object], reasons: list[str], by: str, now: datetime) -> LoadRefusal:
    """Stores a refused load."""
    return LoadRefusal.create(spool=spool, lot=spool.lot, **values, reasons=reasons, asked_by=by, refused_at=now)


def find(number: int) -> Load | None:
    """Returns a load with its spool, lot, job and machine, or None."""
    found: Load | None = with_names().where(Load.id == number).first()
    return found


def complete(load: Load, remaining_mass_g: float, unloaded_at: datetime, by: str, now: datetime) -> bool:
    """Ends a load. Returns False when it had ended before."""
    changed = (
        Load.update(
            remaining_mass_g=remaining_mass_g,
            unloaded_at=unloaded_at,
            unload_recorded_at=now,
            unload_recorded_by=by,
        )
        .where((Load.id == load.id) & Load.unloaded_at.is_null())
        .execute()
    )
    return bool(changed)


def listed(filters: Mapping[str, object], cursor: str | None, limit: int) -> Page[Load]:
    """Returns a page of loads with spool, lot, job and machine, oldest record first. One query, one or two more to find a spool."""
    query = with_names()
    for name, value in filters.items():
        if name == "spool_code":
            query = query.where(Load.spool == (spool_number(str(value)) or 0))
        elif name == "open":
            query = query.where(Load.id.in_(_open()) if value else Load.unloaded_at.is_null(False))
        else:
            of_job = name == "job"
            key = Load.of_job if of_job else Load.on_machine
            query = query.where(key == names.number_of("job" if of_job else "machine", str(value)))
    return page(query, Load.id, cursor, limit)


def _open() -> ModelSelect[Load]:
    """Returns the query of ids of open loads. As a subquery it uses their index. A condition would make SQLite scan all loads."""
    still = Load.alias()
    return still.select(still.id).where(still.unloaded_at.is_null())


def refusals(cursor: str | None, limit: int) -> Page[LoadRefusal]:
    """Returns a page of refused loads, oldest first."""
    query = LoadRefusal.select(LoadRefusal, Spool, Lot).join(Spool).switch(LoadRefusal).join(Lot)
    return page(query, LoadRefusal.id, cursor, limit)


def last_unload_of(spool: Spool) -> datetime | None:
    """Returns the stated time of a spool's last unload, or None."""
    load = (
        Load.select(Load.unloaded_at)
        .where((Load.spool == spool) & Load.unloaded_at.is_null(False))
        .order_by(Load.unloaded_at.desc())
        .first()
    )
    return load.unloaded_at if load else None


@dataclass(frozen=True, slots=True)
class Held:
    """A machine found by a typed name. `name` is as first typed, None for a new machine. `slots` is 1 for a new one.

    `held` has the spool code and job of each other spool on it now, in order of loading. `similar` names machines that a new name may be
    confused with.
    """

    name: str | None
    slots: int
    held: list[tuple[str, str]]
    similar: list[str]


def held_by(machine: str, but: int) -> Held:
    """Returns a machine with the spools on it now. One query, one more for a new machine.

    Args:
        machine: its name as typed.
        but: the id of a spool to leave out.
    """
    found = _HELD.all(machine=identity(machine), but=but)
    if not found:
        return Held(None, 1, [], names.similar("machine", machine))
    on_it = sorted((row.load for row in found if row.load is not None), key=lambda load: (load.loaded_at, load.id))
    return Held(
        found[0].name,
        found[0].slots,
        [(load.spool.code, load.of_job.number if load.of_job else load.job) for load in on_it],
        [],
    )


def _held() -> ModelSelect[Machine]:
    # Without ORDER BY, which would make SQLite scan all loads of the machine.
    on_it = (Load.on_machine == Machine.id) & Load.unloaded_at.is_null() & (Load.spool != given("but"))
    columns = (Machine.id, Machine.name, Machine.slots, Load.id, Load.loaded_at, Load.job, Spool.id, Spool.code)
    return (
        Machine.select(*columns, Job.id, Job.number)
        .join(Load, JOIN.LEFT_OUTER, on=on_it, attr="load")
        .join(Spool, JOIN.LEFT_OUTER)
        .switch(Load)
        .join(Job, JOIN.LEFT_OUTER)
        .where(Machine.identity == given("machine"))
    )


_HELD = cast("Prepared[_MachineWithLoad]", Prepared(_held))


@dataclass(frozen=True, slots=True)
class LotInJob:
    """A lot used in a job, with its spools there."""

    lot: Lot
    spools: list[Spool]


@dataclass(frozen=True, slots=True)
class InJob:
    """A job found by a typed number. `number` is as first typed, None for a new job.

    `lots` are its lots of a shade, oldest first. `similar` names jobs that a new number may be confused with.
    """

    number: str | None
    lots: list[LotInJob]
    similar: list[str]


def lots_in_job(job: str, shade_id: int | None, grade_id: int) -> InJob:
    """Returns the lots of a shade, else of a grade, that a job already uses, including those of spliced spools.

    One query, one more for a new job.
    """
    found = _IN_JOB.all(job=identity(job))
    if not found:
        # A job is stored with its first load, so a job without lots is new.
        return InJob(None, [], names.similar("job", job))
    lots: dict[int, LotInJob] = {}
    for row in found:
        # There is one row per spool in the job and lot on it.
        lots.setdefault(row.id, LotInJob(row, [])).spools.append(row.spool)
    rows = lots.values()
    same = [
        o for o in rows if (o.lot.grade.shade_id == shade_id if shade_id is not None else o.lot.grade_id == grade_id)
    ]
    return InJob(found[0].job.number, sorted(same, key=lambda one: (one.lot.received_at, one.lot.id)), [])


def _in_job() -> ModelSelect[Lot]:
    # Filtered by the job only. A condition on the shade or an order would make SQLite scan all lots of the shade or grade.
    job, this = given("job"), Job.alias()
    number = this.select(this.id).where(this.identity == job)
    own = Load.select(Load.lot, Load.spool).where(Load.of_job == number)
    wound_on = SpoolLot.select(SpoolLot.lot, SpoolLot.spool).join(Load, on=(Load.spool == SpoolLot.spool))
    there = (own | wound_on.where(Load.of_job == number)).alias("there")
    return (
        Lot.select(
            *(*LOT_TO_CHECK, Job.id, Job.number),
            *(Spool.id, Spool.code, Spool.color, Spool.spliced),
        )
        .join(Grade)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(Job, on=(Job.identity == job), attr="job")
        .join_from(Lot, there, on=(there.c.lot_id == Lot.id))
        .join_from(Lot, Spool, on=(there.c.spool_id == Spool.id), attr="spool")
    )


_IN_JOB = cast("Prepared[_LotThere]", Prepared(_in_job))
