"""Loads: which spool was on which machine, for which job, from when to when."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from peewee import JOIN

from lots.store.models import Grade, LimitsRevision, Load, LoadRefusal, Lot, ShadeRevision, Spool, SpoolLot
from lots.store.paging import Page, page
from lots.store.prepared import Prepared, given


def add(spool: Spool, values: dict[str, Any], by: str, now: datetime) -> Load:
    """A spool goes onto a machine."""
    return Load.create(
        spool=spool, lot=spool.lot, mass_before_g=spool.remaining_mass_g, **values, recorded_by=by, recorded_at=now
    )


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
            query = query.where(Load.unloaded_at.is_null(value))
        else:
            query = query.where(getattr(Load, name.removesuffix("_id")) == value)
    return page(query, Load.id, cursor, limit)


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
    return [(load.spool.code, load.job) for load in _HELD.all(machine=machine, but=but)]


def _held() -> Any:
    query = Load.select(Load.id, Load.job, Spool.id, Spool.code).join(Spool)
    here = (Load.machine == given("machine")) & Load.unloaded_at.is_null() & (Load.spool != given("but"))
    return query.where(here).order_by(Load.loaded_at, Load.id)


_HELD = Prepared(_held)


def lots_in_job(job: str, shade_id: int | None, grade_id: int) -> list[Any]:
    """Lots of a shade (of a grade, where it has none) already used in a job, spliced spools' included, oldest first. One query."""
    if shade_id is not None:
        return _IN_JOB_BY_SHADE.all(job=job, shade=shade_id)
    return _IN_JOB_BY_GRADE.all(job=job, grade=grade_id)


def _in_job(same: Any) -> Any:
    job = given("job")
    own = Load.select(Load.lot).where(Load.job == job)
    wound_on = SpoolLot.select(SpoolLot.lot).join(Load, on=(Load.spool == SpoolLot.spool)).where(Load.job == job)
    query = (
        Lot.select(Lot, Grade, ShadeRevision, LimitsRevision)
        .join(Grade)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .where((Lot.id.in_(own) | Lot.id.in_(wound_on)) & same)
    )
    return query.order_by(Lot.received_at, Lot.id)


_IN_JOB_BY_SHADE = Prepared(lambda: _in_job(Grade.shade == given("shade")))
_IN_JOB_BY_GRADE = Prepared(lambda: _in_job(Lot.grade == given("grade")))
