"""Loads: which spool was on which machine, for which job, from when to when."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from peewee import JOIN

from lots.domain.identity import identity, likeness
from lots.store.models import (
    Grade,
    Job,
    LimitsRevision,
    Load,
    LoadRefusal,
    Lot,
    Machine,
    ShadeRevision,
    Spool,
    SpoolLot,
)
from lots.store.paging import Page, page
from lots.store.prepared import Prepared, given


def add(spool: Spool, values: dict[str, Any], by: str, now: datetime) -> tuple[Load, dict[str, list[int]]]:
    """A spool goes onto a machine, for a job. Returns the load, and the numbers of the rows that were made, by table."""
    said = {"recorded_by": by, "recorded_at": now}
    job, made_job = _named(Job, Job.number, values["job"], said)
    machine, made_machine = _named(Machine, Machine.name, values["machine"], said)
    here = {"spool": spool, "lot": spool.lot, "mass_before_g": spool.remaining_mass_g}
    stored = Load.create(**here, **values, of_job=job, on_machine=machine, **said)
    return stored, {"load": [stored.id], "job": made_job, "machine": made_machine}


def _named(table: Any, field: Any, typed: str, said: dict[str, Any]) -> tuple[int, list[int]]:
    """The number of a job or machine, in a list too when this is the first load that names it. At most two statements."""
    known = table.identity == identity(typed)
    row = table.select(table.id).where(known).first()
    if row is not None:
        return row.id, []
    names = {"identity": identity(typed), "likeness": likeness(typed)}
    made = table.insert({field: typed, **names, **said}).on_conflict_ignore().execute()
    # Whoever was faster has made it.
    number = table.select(table.id).where(known).get().id
    return number, [number] if made else []


def refuse(spool: Spool, values: dict[str, Any], reasons: list[str], by: str, now: datetime) -> LoadRefusal:
    """Keeps the record of a load that was refused."""
    return LoadRefusal.create(spool=spool, lot=spool.lot, **values, reasons=reasons, asked_by=by, refused_at=now)


def find(number: int) -> Any:
    """A load with its spool and lot."""
    return Load.select(Load, Spool, Lot).join(Spool).switch(Load).join(Lot).where(Load.id == number).first()


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


def listed(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """A page of loads with spool and lot, in the order they were recorded."""
    query = Load.select(Load, Spool, Lot).join(Spool).switch(Load).join(Lot)
    for name, value in filters.items():
        if name == "spool_code":
            query = query.where(Spool.code == value)
        elif name == "open":
            query = query.where(Load.id.in_(_open()) if value else Load.unloaded_at.is_null(False))
        else:
            query = query.where(getattr(Load, name.removesuffix("_id")) == value)
    return page(query, Load.id, cursor, limit)


def _open() -> Any:
    """Numbers of the loads that have not ended, from their index: else SQLite would walk through all loads in the order of the page."""
    still = Load.alias()
    return still.select(still.id).where(still.unloaded_at.is_null())


def refusals(cursor: str | None, limit: int) -> Page:
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


def held_by(machine: str, but: int) -> list[tuple[str, str]]:
    """Spool code and job of each other spool that is on a machine now, the first loaded first. One query.

    Args:
        machine: its name as it was stated.
        but: the number of a spool to leave out.
    """
    found = sorted(_HELD.all(machine=machine, but=but), key=lambda load: (load.loaded_at, load.id))
    return [(load.spool.code, load.job) for load in found]


def _held() -> Any:
    # In no order: told one, SQLite would take the index that has it, and walk through all that the machine ever held.
    query = Load.select(Load.id, Load.job, Load.loaded_at, Spool.id, Spool.code).join(Spool)
    here = (Load.machine == given("machine")) & Load.unloaded_at.is_null() & (Load.spool != given("but"))
    return query.where(here)


_HELD = Prepared(_held)


def lots_in_job(job: str, shade_id: int | None, grade_id: int) -> list[Any]:
    """Lots of a shade (of a grade, where it has none) already used in a job, spliced spools' included, oldest first. One query."""
    found = _IN_JOB.all(job=job)
    same = [o for o in found if (o.grade.shade_id == shade_id if shade_id is not None else o.grade_id == grade_id)]
    return sorted(same, key=lambda lot: (lot.received_at, lot.id))


def _in_job() -> Any:
    # By the job alone: told the shade or an order as well, SQLite would walk through all lots of that shade or grade to find these few.
    job = given("job")
    own = Load.select(Load.lot).where(Load.job == job)
    wound_on = SpoolLot.select(SpoolLot.lot).join(Load, on=(Load.spool == SpoolLot.spool)).where(Load.job == job)
    return (
        Lot.select(Lot, Grade, ShadeRevision, LimitsRevision)
        .join(Grade)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .where(Lot.id.in_(own | wound_on))
    )


_IN_JOB = Prepared(_in_job)
