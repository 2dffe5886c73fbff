"""Tracing of filament: loads of a lot and of spools respooled from it, other loads on the same machines, and containment actions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import lru_cache

from peewee import JOIN, ModelSelect

from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.setup.names import with_names
from lots.store.tables.loads import Containment, Job, Load, Machine
from lots.store.tables.models import Delivery, Lot, Spool, SpoolLot


def loads_of_lot(lot_id: int) -> list[Load]:
    """Returns all loads of a lot's filament, on its own and on spliced spools, oldest record first. One query."""
    return _OF_LOT.all(lot=lot_id)


def _loads_of_lot() -> ModelSelect[Load]:
    # A union of two queries, because an OR condition makes PostgreSQL scan all loads.
    own, wound_on = Load.alias(), Load.alias()
    numbers = own.select(own.id).where(own.lot == given("lot")) | wound_on.select(wound_on.id).join(
        SpoolLot, on=(SpoolLot.spool == wound_on.spool)
    ).where(SpoolLot.lot == given("lot"))
    return _traced().where(Load.id.in_(numbers)).order_by(Load.id)


def _traced() -> ModelSelect[Load]:
    """Returns a query of loads with the columns for tracing."""
    columns = (Load.id, Load.spool, Load.lot, Load.machine, Load.job, Load.use, Load.loaded_at, Load.recorded_at)
    masses = (Load.unloaded_at, Load.mass_before_g, Load.remaining_mass_g, Load.on_machine, Load.of_job)
    return with_names(*columns, *masses)


# Prepared, because each assessment of a blocked lot reads them.
_OF_LOT: Prepared[Load] = Prepared(_loads_of_lot)


def loaded_after(lot_id: int, moment: datetime) -> bool:
    """Returns True if filament of a lot was loaded, or recorded as loaded, after a time."""
    return any(max(row.loaded_at, row.recorded_at) > moment for row in loads_of_lot(lot_id))


def loads_of_job(number: int) -> list[Load]:
    """Returns all loads of the job with this id, oldest record first. One query on an index."""
    return list(with_names().where(Load.of_job == number).order_by(Load.id))


def loads_on(machines: Iterable[int], since: datetime, until: datetime) -> list[Load]:
    """Returns all loads on these machines (by id) that overlap a period. One query.

    It reads all loads of these machines, because an old load may still be running.
    """
    wanted = sorted(set(machines))
    named = {f"machine{place}": number for place, number in enumerate(wanted)}
    since_text, until_text = Load.loaded_at.db_value(since), Load.loaded_at.db_value(until)
    return _on(len(wanted)).all(since=since_text, until=until_text, **named) if wanted else []


@lru_cache(maxsize=32)  # a lot is used on few machines
def _on(machines: int) -> Prepared[Load]:
    still = Load.unloaded_at.is_null() | (Load.unloaded_at >= given("since"))
    here = Load.on_machine.in_([given(f"machine{place}") for place in range(machines)])
    return Prepared(lambda: _traced().where(here & (Load.loaded_at <= given("until")) & still).order_by(Load.id))


def further_lots(spools: Iterable[int]) -> dict[int, list[int]]:
    """Returns the ids of further lots by spliced spool. At most one query."""
    wanted = sorted(set(spools))
    found: dict[int, list[int]] = {}
    if wanted:
        for row in SpoolLot.select().where(SpoolLot.spool.in_(wanted)):
            found.setdefault(row.spool_id, []).append(row.lot_id)
    return found


def deliveries_of(lots: Iterable[int]) -> list[Delivery]:
    """Returns the deliveries of lots. One query."""
    return list(Delivery.select(Delivery, Lot).join(Lot).where(Delivery.lot.in_(sorted(lots))).order_by(Delivery.id))


def contained(lot_id: int) -> set[int]:
    """Returns the ids of a lot's loads with an open containment action."""
    query = Containment.select(Containment.load).where((Containment.lot == lot_id) & Containment.closed_at.is_null())
    return {row.load_id for row in query}


def contain(rows: Iterable[Mapping[str, object]]) -> list[int]:
    """Stores containment actions and returns their ids."""
    return [Containment.create(**row).id for row in rows]


def _containments() -> ModelSelect[Containment]:
    return _joined(Containment.select(Containment, Lot, Load, Spool, Job, Machine))


def _joined(selection: ModelSelect[Containment]) -> ModelSelect[Containment]:
    return (
        selection.join(Lot)
        .switch(Containment)
        .join(Load)
        .join(Spool)
        .switch(Load)
        .join(Job, JOIN.LEFT_OUTER)
        .switch(Load)
        .join(Machine, JOIN.LEFT_OUTER)
    )


def containments(filters: Mapping[str, object], cursor: str | None, limit: int) -> Page[Containment]:
    """Returns a page of containment actions with load, spool, lot, job and machine, oldest first."""
    query = _containments()
    if "open" in filters:
        query = query.where(Containment.closed_at.is_null(bool(filters["open"])))
    if "lot_id" in filters:
        query = query.where(Containment.lot == filters["lot_id"])
    return page(query, Containment.id, cursor, limit)


def still_on_machines() -> list[Containment]:
    """Returns open, certain containment actions with a running load, oldest first, with load, spool, lot, job and machine.

    Read-only rows. One query on the index of open loads.
    """
    return _STILL_ON.all()


def _still_on() -> ModelSelect[Containment]:
    running = Load.alias()
    open_loads = running.select(running.id).where(running.unloaded_at.is_null())
    columns = (Lot.id, Lot.supplier_lot, Load.id, Load.machine, Load.job, Spool.id, Spool.code)
    query = _joined(
        Containment.select(Containment.id, Containment.load, *columns, Job.id, Job.number, Machine.id, Machine.name)
    )
    here = Containment.load.in_(open_loads) & Containment.closed_at.is_null() & Containment.certain
    return query.where(here).order_by(Containment.id)


_STILL_ON = Prepared(_still_on)


def containment(number: int) -> Containment | None:
    """Returns a containment action with load, spool, lot, job and machine, or None."""
    found: Containment | None = _containments().where(Containment.id == number).first()
    return found


def close_containment(number: int, by: str, note: str, now: datetime) -> bool:
    """Closes a containment action. Returns False when it was closed before."""
    query = Containment.update(closed_at=now, closed_by=by, note=note).where(
        (Containment.id == number) & Containment.closed_at.is_null()
    )
    return bool(query.execute())
