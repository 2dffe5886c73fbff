"""Loads: which spool was on which machine, for which job, from when to when."""

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
    """A load as it is to be stored. `machine` and `job` are as they were typed."""

    machine: str
    job: str
    use: str
    loaded_at: datetime
    concession: NotRequired[int]
    reserved_g: NotRequired[float]


def add(spool: Spool, values: NewLoad, by: str, now: datetime) -> tuple[Load, dict[str, list[int]]]:
    """A spool goes onto a machine, for a job. Returns the load, and the numbers of the rows that were made, by table."""
    job, made_job = names.named("job", values["job"], by, now)
    machine, made_machine = names.named("machine", values["machine"], by, now)
    here = {"spool": spool, "lot": spool.lot, "mass_before_g": spool.remaining_mass_g}
    stored = Load.create(**here, **values, of_job=job, on_machine=machine, recorded_by=by, recorded_at=now)
    return stored, {"load": [stored.id], "job": made_job, "machine": made_machine}


def refuse(spool: Spool, values: Mapping[str, object], reasons: list[str], by: str, now: datetime) -> LoadRefusal:
    """Keeps the record of a load that was refused."""
    return LoadRefusal.create(spool=spool, lot=spool.lot, **values, reasons=reasons, asked_by=by, refused_at=now)


def find(number: int) -> Load | None:
    """A load with its spool, lot, job and machine."""
    found: Load | None = with_names().where(Load.id == number).first()
    return found


def complete(load: Load, remaining_mass_g: float, unloaded_at: datetime, by: str, now: datetime) -> bool:
    """Ends a load, once; False when it had ended already."""
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
    """A page of loads with spool, lot, job and machine, in the order they were recorded. One query, one or two more to find a spool."""
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
    """Numbers of the loads that have not ended, from their index: else SQLite would walk through all loads in the order of the page."""
    still = Load.alias()
    return still.select(still.id).where(still.unloaded_at.is_null())


def refusals(cursor: str | None, limit: int) -> Page[LoadRefusal]:
    """A page of refused loads, in the order they were asked for."""
    query = LoadRefusal.select(LoadRefusal, Spool, Lot).join(Spool).switch(LoadRefusal).join(Lot)
    return page(query, LoadRefusal.id, cursor, limit)


def last_unload_of(spool: Spool) -> datetime | None:
    """When a spool last came off a machine, as stated."""
    load = (
        Load.select(Load.unloaded_at)
        .where((Load.spool == spool) & Load.unloaded_at.is_null(False))
        .order_by(Load.unloaded_at.desc())
        .first()
    )
    return load.unloaded_at if load else None


@dataclass(frozen=True, slots=True)
class Held:
    """A machine that somebody named: `name` as it was first typed and `slots`, None and 1 where it is new.

    `held` is spool code and job of each other spool that is on it now, the first loaded first; `similar` names the machines that a new
    one may be misread for.
    """

    name: str | None
    slots: int
    held: list[tuple[str, str]]
    similar: list[str]


def held_by(machine: str, but: int) -> Held:
    """What a machine holds now. One query; one more for a new machine.

    Args:
        machine: its name as it was typed.
        but: the number of a spool to leave out.
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
    # In no order: told one, SQLite would take the index that has it, and walk through all that the machine ever held.
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
    """A lot used in a job, and the spools there that hold it."""

    lot: Lot
    spools: list[Spool]


@dataclass(frozen=True, slots=True)
class InJob:
    """A job that somebody named: `number` as it was first typed, None where it is new.

    `lots` are those of a shade that are used in it, the oldest first; `similar` names the jobs that a new one may be misread for.
    """

    number: str | None
    lots: list[LotInJob]
    similar: list[str]


def lots_in_job(job: str, shade_id: int | None, grade_id: int) -> InJob:
    """Lots of a shade (of a grade, where it has none) already used in a job, spliced spools' included. One query; one more for a new job."""
    found = _IN_JOB.all(job=identity(job))
    if not found:
        # A job is made by its first load, so one without a lot is new.
        return InJob(None, [], names.similar("job", job))
    lots: dict[int, LotInJob] = {}
    for row in found:
        # A row for each spool in the job, and for each lot that it holds.
        lots.setdefault(row.id, LotInJob(row, [])).spools.append(row.spool)
    rows = lots.values()
    same = [
        o for o in rows if (o.lot.grade.shade_id == shade_id if shade_id is not None else o.lot.grade_id == grade_id)
    ]
    return InJob(found[0].job.number, sorted(same, key=lambda one: (one.lot.received_at, one.lot.id)), [])


def _in_job() -> ModelSelect[Lot]:
    # By the job alone: told the shade or an order as well, SQLite would walk through all lots of that shade or grade to find these few.
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
