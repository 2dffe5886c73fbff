"""The queries of `lots check`: damage of the file, broken references, booked masses and values that do not follow from others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import cast

from peewee import Field, ForeignKeyField, ModelSelect, SqliteDatabase, fn

from lots.domain.code_identity import identity, likeness
from lots.domain.code_identity import search_keys as folded_keys
from lots.domain.production.masses import SpoolMass
from lots.store.engine.database import db
from lots.store.setup import search_keys
from lots.store.tables.decisions import Letter
from lots.store.tables.loads import Job, Load, Machine
from lots.store.tables.models import (
    TABLES,
    Delivery,
    DeliveryCorrection,
    Event,
    Grade,
    Lot,
    Reading,
    ReadingVoid,
    Spool,
    SpoolParent,
    Supplier,
)
from lots.store.tables.row import Column
from lots.store.upkeep.database_handles import one_moment


def snapshot() -> AbstractContextManager[None]:
    """Reads a consistent snapshot of the database within a block."""
    return one_moment(db.obj)


def damage() -> list[str]:
    """Returns the errors of SQLite's integrity check, at most 100. PostgreSQL is not checked."""
    if not isinstance(db.obj, SqliteDatabase):
        return []
    return [text for (text,) in db.execute_sql("PRAGMA integrity_check(100)").fetchall() if text != "ok"]


def orphans() -> Iterator[tuple[str, dict[str, object], str]]:
    """Yields rows whose foreign key refers to a missing row: table, stored values, and the missing row in words. One query per foreign key.

    Both engines enforce foreign keys, but a person with access to the database can switch that off.
    """
    for model in TABLES:
        for field in model._meta.refs:
            target = field.rel_model.alias()
            there = target.select(target.id).where(target.id == field)
            query = model.select(*model._meta.sorted_fields).where(field.is_null(False) & ~fn.EXISTS(there))
            columns = [one.column_name for one in model._meta.sorted_fields]
            for values in db.execute(query).fetchall():
                row = dict(zip(columns, values, strict=True))
                missing = f"{field.rel_model._meta.table_name} {row[field.column_name]}"
                yield model._meta.table_name, row, missing


def lot_names() -> dict[int, str]:
    """Returns the supplier's lot number of every lot by id, ascending. One query."""
    return {row.id: row.supplier_lot for row in Lot.select(Lot.id, Lot.supplier_lot).order_by(Lot.id)}


def entry_count() -> int:
    """Returns the number of entries of the history."""
    return int(Event.select().count())


def lot_of_row(table: str, row: dict[str, object]) -> int | None:
    """Returns the id of the lot that a row belongs to, or None. At most one query."""
    found: ModelSelect[Spool] | ModelSelect[Reading] | ModelSelect[Delivery] | ModelSelect[Letter]
    if table == "lot":
        return _number(row["id"])
    if table in ("spool_parent", "spool_lot", "drying"):
        found = Spool.select(Spool.lot).where(Spool.id == row["spool_id"])
    elif table in ("reading_void", "reading_exclusion", "reading_confirmation"):
        found = Reading.select(Reading.lot).where(Reading.id == row["reading_id"])
    elif table == "letter_sent":
        found = Letter.select(Letter.lot).where(Letter.id == row["letter_id"])
    elif "lot_id" not in row and "delivery_id" in row:
        found = Delivery.select(Delivery.lot).where(Delivery.id == row["delivery_id"])
    elif table == "void_agreement":
        void = ReadingVoid.select(ReadingVoid.reading).where(ReadingVoid.id == row["void_id"])
        found = Reading.select(Reading.lot).where(Reading.id.in_(void))
    else:
        return _number(row.get("lot_id"))
    lot: tuple[int] | None = db.execute(found).fetchone()
    return lot[0] if lot else None


def _number(value: object) -> int | None:
    return value if isinstance(value, int) else None


def booked() -> Iterator[tuple[int, str, SpoolMass]]:
    """Yields lot, code and booked masses of every spool. Four queries, and one per 1,000 spools."""
    ended = Load.select(Load.spool_id, fn.SUM(Load.mass_before_g - Load.remaining_mass_g).alias("g"))
    used = _sums(ended.where(Load.unloaded_at.is_null(False)).group_by(Load.spool_id))
    taken = _sums(SpoolParent.select(SpoolParent.parent_id, fn.SUM(SpoolParent.mass_g)).group_by(SpoolParent.parent_id))
    wound = _sums(SpoolParent.select(SpoolParent.spool_id, fn.SUM(SpoolParent.mass_g)).group_by(SpoolParent.spool_id))
    loaded: dict[int, list[tuple[str, float]]] = {}
    for load in Load.select(Load.spool, Load.machine, Load.mass_before_g).where(Load.unloaded_at.is_null()):
        loaded.setdefault(load.spool_id, []).append((load.machine, load.mass_before_g))
    columns = (Spool.id, Spool.lot, Spool.code, Spool.net_mass_g, Spool.remaining_mass_g, Spool.machine, Spool.spliced)
    after = 0
    while rows := list(Spool.select(*columns).where(Spool.id > after).order_by(Spool.id).limit(1000)):
        for row in rows:
            number = row.id
            yield (
                row.lot_id,
                row.code,
                SpoolMass(
                    net_g=row.net_mass_g,
                    left_g=row.remaining_mass_g,
                    used_g=used.get(number, 0.0),
                    taken_g=taken.get(number, 0.0),
                    wound_g=wound.get(number, 0.0) if row.spliced else None,
                    machine=row.machine,
                    loaded=loaded.get(number, ()),
                ),
            )
        after = rows[-1].id


def _sums(query: ModelSelect[Load] | ModelSelect[SpoolParent]) -> dict[int, float]:
    return {number: float(total) for number, total in db.execute(query).fetchall() if total is not None}


@dataclass(frozen=True, slots=True)
class Misnamed:
    """A row whose identity, likeness, job or machine does not follow from its text. `wanted` holds the correct columns."""

    model: type[Lot | Spool | Job | Machine | Load]
    number: int
    text: str
    lot: int | None
    wanted: Mapping[str, object]


def misnamed() -> Iterator[Misnamed]:
    """Yields lots, spools, jobs, machines and loads whose lookup columns do not follow from their text. Seven queries."""
    yield from _with_wrong_identity(Lot, Lot.supplier_lot, Lot.id, (Lot.supplier, Lot.grade))
    yield from _with_wrong_identity(Spool, Spool.code, Spool.lot)
    yield from _with_wrong_identity(Job, Job.number)
    yield from _with_wrong_identity(Machine, Machine.name)
    jobs = {row.identity: row.id for row in Job.select(Job.id, Job.identity)}
    machines = {row.identity: row.id for row in Machine.select(Machine.id, Machine.identity)}
    columns = (Load.id, Load.lot, Load.job, Load.machine, Load.of_job, Load.on_machine)
    for row in Load.select(*columns).order_by(Load.id).iterator():
        wanted = {"of_job": jobs.get(identity(row.job)), "on_machine": machines.get(identity(row.machine))}
        if wanted != {"of_job": row.of_job_id, "on_machine": row.on_machine_id}:
            yield Misnamed(Load, row.id, f"{row.job} on {row.machine}", row.lot_id, wanted)


@dataclass(frozen=True, slots=True)
class Unfindable:
    """A lot, delivery or job whose search keys do not follow from its name. `text` is None if the row does not exist."""

    kind: search_keys.Searched
    number: int
    text: str | None
    lot: int | None


def unfindable() -> Iterator[Unfindable]:
    """Yields rows with missing or wrong search keys. Seven queries."""
    for kind, names in (("lot", _lots_named()), ("order", _orders_named()), ("job", _jobs_named())):
        searched = cast("search_keys.Searched", kind)
        kept = search_keys.every(searched)
        for number, (text, lot) in names.items():
            if kept.pop(number, []) != sorted(folded_keys(text or "")):
                yield Unfindable(searched, number, text, lot)
        for number in sorted(kept):
            yield Unfindable(searched, number, None, None)


_Named = dict[int, tuple[str | None, int | None]]


def _lots_named() -> _Named:
    return {row.id: (row.supplier_lot, row.id) for row in Lot.select(Lot.id, Lot.supplier_lot).order_by(Lot.id)}


def _orders_named() -> _Named:
    """Returns order numbers with corrections applied. The corrected values stored on the delivery may be wrong, so they are not used."""
    logged = Delivery.select(Delivery.id, Delivery.order_ref, Delivery.lot).order_by(Delivery.id)
    found: _Named = {row.id: (row.order_ref, row.lot_id) for row in logged}
    for row in DeliveryCorrection.select().order_by(DeliveryCorrection.id):
        if "order_ref" in row.changes and row.delivery_id in found:
            order = cast("str | None", row.changes["order_ref"][1])
            found[row.delivery_id] = (order, found[row.delivery_id][1])
    return found


def _jobs_named() -> _Named:
    return {row.id: (row.number, None) for row in Job.select(Job.id, Job.number).order_by(Job.id)}


def find_again(found: Unfindable) -> None:
    """Stores the search keys that follow from the name of a row."""
    search_keys.keep(found.kind, found.number, found.text)


def _with_wrong_identity(
    model: type[Lot | Spool | Job | Machine],
    text: Field[str],
    lot: Column | None = None,
    within: Sequence[ForeignKeyField[Supplier] | ForeignKeyField[Grade]] = (),
) -> Iterator[Misnamed]:
    """Yields rows whose identity or likeness does not follow from their text. Of several old codes with one identity, only one has it."""
    columns = (model.id, text, model.identity, model.likeness, *within, *([lot] if lot is not None else ()))
    rows = cast("list[Lot | Spool | Job | Machine]", list(model.select(*columns).order_by(model.id)))

    def apart(row: Lot | Spool | Job | Machine) -> tuple[object, ...]:
        return tuple(getattr(row, field.object_id_name) for field in within)

    kept = {(row.identity, *apart(row)) for row in rows if row.identity == identity(getattr(row, text.name))}
    for row in rows:
        code = getattr(row, text.name)
        whole = identity(code)
        of_another = row.identity != whole and (whole, *apart(row)) in kept
        wanted = {"identity": None if of_another else whole, "likeness": likeness(code)}
        if wanted != {"identity": row.identity, "likeness": row.likeness}:
            number = None if lot is None else getattr(row, getattr(lot, "object_id_name", None) or lot.name)
            yield Misnamed(model, row.id, code, number, wanted)


def name_again(found: Misnamed) -> None:
    """Stores the columns that follow from the text of a row."""
    found.model.update(**found.wanted).where(found.model.id == found.number).execute()


def odd_loads() -> list[Load]:
    """Returns loads that end with more filament than at their start, or before their start. One query."""
    odd = (Load.remaining_mass_g > Load.mass_before_g) | (Load.unloaded_at < Load.loaded_at)
    return list(Load.select().where(odd).order_by(Load.id))
