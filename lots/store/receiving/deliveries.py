"""Deliveries as logged, and their corrections. `current` returns the corrected values, which all other code uses."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, TypedDict, cast

from peewee import JOIN, SQL, Case, Expression, ModelSelect, fn

from lots.domain.receiving import delivery_corrections as rules
from lots.domain.receiving.delivery_corrections import Correction
from lots.store.engine.column_types import Instant
from lots.store.engine.paging import Page, among, page
from lots.store.readings import waits
from lots.store.setup import search_keys
from lots.store.tables.decisions import Concession, CorrectiveAction
from lots.store.tables.deliveries import KeptSample
from lots.store.tables.loads import Job, Load
from lots.store.tables.models import (
    Delivery,
    DeliveryCorrection,
    Grade,
    Lot,
    Reading,
    ReadingVoid,
    Spool,
    SpoolParent,
    Supplier,
)

_MOMENT = Instant()


# Field -> old and new value.
Changes = Mapping[str, Sequence[object]]


class LoggedDelivery(TypedDict):
    """The columns of a new delivery."""

    order_ref: str | None
    received_at: datetime
    ordered_at: datetime | None
    due_at: datetime | None
    cost: float | None
    currency: str | None
    sample: KeptSample
    note: str | None


class DeliveryFilter(TypedDict, total=False):
    """Filters of a list of deliveries."""

    lot_id: int
    received_from: datetime
    received_to: datetime


@dataclass(frozen=True, slots=True)
class Current:
    """A delivery with its corrections applied. `closed` is the reason why it was closed, None while it is open."""

    order_ref: str | None
    received_at: datetime
    ordered_at: datetime | None
    due_at: datetime | None
    cost: float | None
    currency: str | None
    note: str | None
    sample: KeptSample
    version: int
    closed: str | None


def current(logged: Delivery) -> Current:
    """Returns the corrected values of a delivery from its row."""
    return _with(logged, logged.corrected)


def _with(logged: Delivery, corrected: Mapping[str, object] | None) -> Current:
    said = {"version": 1, "closed": None, **(corrected or {})}
    for name in ("received_at", "ordered_at", "due_at"):
        if name in said:
            said[name] = _MOMENT.python_value(cast("str | None", said[name]))
    values = {name: getattr(logged, name) for name in rules.FIELDS}
    return Current(**{**values, **said})


@dataclass(frozen=True, slots=True)
class Came:
    """A delivery of a lot with its received spools, without respooled and withdrawn ones.

    Args:
        logged: its row.
        now: its corrected values, at the requested time.
        spools, mass_g: number of spools and their net mass, g.
    """

    logged: Delivery
    now: Current
    spools: int
    mass_g: float


class _Sums(Protocol):
    """The sums per delivery in `of_lot`."""

    spools_in: int | None
    mass_g: float | None


def came(spool: type[Spool] = Spool) -> Expression:
    """Returns the condition that a spool was received in its delivery."""
    there: Expression = ~spool.spliced & spool.withdrawn_at.is_null()
    return there


def of_lot(lot_id: int, known_at: datetime | None = None) -> list[Came]:
    """Returns the deliveries of a lot, oldest first, as of `known_at` when given. One query, one more for later corrections."""
    query = (
        Delivery.select(
            Delivery,
            fn.SUM(Case(None, [(came(), 1)], 0)).alias("spools_in"),
            fn.SUM(Case(None, [(came(), Spool.net_mass_g)], 0.0)).alias("mass_g"),
        )
        .join(Spool, JOIN.LEFT_OUTER)
        .where(Delivery.lot == lot_id)
        .group_by(Delivery.id)
        .order_by(Delivery.id)
    )
    if known_at is not None:
        query = query.where(Delivery.recorded_at <= known_at)
    rows = list(query)
    changed = [row.id for row in rows if row.corrected] if known_at is not None else []
    made = corrections_of(changed)
    found = []
    for row in rows:
        now, sums = current(row), cast("_Sums", row)
        spools, mass_g = int(sums.spools_in or 0), float(sums.mass_g or 0)
        if known_at is not None and row.id in made:
            now = _with(row, rules.corrected(plain(one) for one in made[row.id] if one.recorded_at <= known_at))
            later = [plain(one) for one in made[row.id] if one.recorded_at > known_at]
            spools, mass_g = rules.spools_before(spools, mass_g, later)
        found.append(Came(row, now, spools, mass_g))
    return found


def corrections_of(delivery_ids: Iterable[int]) -> dict[int, list[DeliveryCorrection]]:
    """Returns corrections by delivery, oldest first. Deliveries without one are left out. At most one query, on an index."""
    wanted = sorted(set(delivery_ids))
    found: dict[int, list[DeliveryCorrection]] = {}
    if wanted:
        query = DeliveryCorrection.select().where(DeliveryCorrection.delivery.in_(wanted))
        for row in query.order_by(DeliveryCorrection.id):
            found.setdefault(row.delivery_id, []).append(row)
    return found


def plain(row: DeliveryCorrection) -> Correction:
    """Returns a correction as a value of the domain."""
    return Correction(row.changes, row.closes, row.reason)


def derived(lot_id: int) -> Iterable[tuple[Delivery, datetime, dict[str, object] | None]]:
    """Yields each delivery of a lot with the values of `came_at` and `corrected` that follow from its corrections. Two queries."""
    rows = list(Delivery.select().where(Delivery.lot == lot_id).order_by(Delivery.id))
    made = corrections_of(row.id for row in rows)
    for row in rows:
        follows = rules.corrected(plain(one) for one in made.get(row.id, ()))
        yield row, _with(row, follows).received_at, follows


def work_out_again(lot_id: int) -> None:
    """Recalculates `came_at` and `corrected` of a lot's deliveries from their corrections."""
    for row, came_at, follows in derived(lot_id):
        Delivery.update(came_at=came_at, corrected=follows).where(Delivery.id == row.id).execute()


# The columns of a lot for a list of deliveries. Its other JSON columns would be parsed in vain.
LOT_SHOWN = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot, Lot.standing, Lot.uses)


def _with_names() -> ModelSelect[Delivery]:
    return Delivery.select(Delivery, Lot, Supplier, Grade).join(Lot).join(Supplier).switch(Lot).join(Grade)


def find(number: int) -> Delivery | None:
    """Returns a delivery with lot, supplier and grade, or None. One query."""
    found: Delivery | None = _with_names().where(Delivery.id == number).first()
    return found


def listed(filters: DeliveryFilter, cursor: str | None, limit: int, *, newest_first: bool = False) -> Page[Delivery]:
    """Returns a page of deliveries with the list columns of their lots, in the order of their records or in reverse."""
    query = Delivery.select(Delivery, *LOT_SHOWN).join(Lot)
    if "lot_id" in filters:
        query = query.where(Delivery.lot == filters["lot_id"])
    query = among(query, Delivery, "came_at", filters.get("received_from"), filters.get("received_to"))
    return page(query, Delivery.id, cursor, limit, newest_first=newest_first)


def add(lot: Lot, values: LoggedDelivery, by: str, now: datetime) -> Delivery:
    """Stores a delivery of a lot. One statement, one more for the search keys of its order."""
    row = Delivery.create(lot=lot, **values, came_at=values["received_at"], recorded_by=by, recorded_at=now)
    search_keys.keep("order", row.id, row.order_ref, new=True)
    return row


def correct(
    delivery: Delivery, changes: Changes, reason: str, by: str, now: datetime, *, closes: bool = False
) -> DeliveryCorrection:
    """Stores a correction, and updates the corrected values of the delivery."""
    said = {name: [_as_said(value) for value in pair] for name, pair in changes.items()}
    made = DeliveryCorrection.create(
        delivery=delivery, changes=said, closes=closes, reason=reason, recorded_by=by, recorded_at=now
    )
    follows = rules.corrected(map(plain, corrections_of([delivery.id])[delivery.id]))
    is_now = _with(delivery, follows)
    kept = {"corrected": follows, "came_at": is_now.received_at}
    Delivery.update(kept).where(Delivery.id == delivery.id).execute()
    if "order_ref" in changes:
        search_keys.keep("order", delivery.id, is_now.order_ref)
    return made


def _as_said(value: object) -> object:
    return _MOMENT.db_value(value) if isinstance(value, datetime) else value


def received_first(lot: Lot) -> datetime | None:
    """Returns the time of receipt of a lot's first delivery that is not closed, or None. One query on an index."""
    rows = Delivery.select().where(Delivery.lot == lot).order_by(Delivery.id)
    return next((row.came_at for row in rows if current(row).closed is None), None)


def spools_of(delivery: Delivery) -> list[Spool]:
    """Returns the spools of a delivery as logged, including withdrawn ones, without respooled ones. One query."""
    return list(Spool.select().where((Spool.delivery == delivery) & ~Spool.spliced).order_by(Spool.id))


def handled(delivery: Delivery) -> bool:
    """Returns True if a spool of a delivery has a reading (including voided ones), a load, or respooled filament. Three queries."""
    mine = Spool.select(Spool.id).where(Spool.delivery == delivery)
    held = (Reading.select(SQL("1")).where(Reading.spool.in_(mine)), Load.select(SQL("1")).where(Load.spool.in_(mine)))
    return any(query.limit(1).tuples().first() for query in held) or bool(_wound_from(mine).limit(1).tuples().first())


def _wound_from(spools: ModelSelect[Spool]) -> ModelSelect[SpoolParent]:
    return SpoolParent.select(SpoolParent.parent).where(SpoolParent.parent.in_(spools))


def used_spools(delivery: Delivery) -> set[int]:
    """Returns the ids of a delivery's spools with a reading, a load, or respooled filament. Three queries.

    A voided reading counts while its void waits for quality's agreement.
    """
    mine = Spool.select(Spool.id).where(Spool.delivery == delivery)
    measured = (
        Reading.select(Reading.spool)
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
        .where(Reading.spool.in_(mine) & (ReadingVoid.id.is_null() | waits()))
    )
    loaded = Load.select(Load.spool).where(Load.spool.in_(mine))
    return {number for query in (measured, loaded, _wound_from(mine)) for number in query.distinct().scalars()}


def first_handled(delivery: Delivery) -> datetime | None:
    """Returns the earliest stated time at which a spool of a delivery was measured, loaded or opened, or None. Three queries."""
    mine = Spool.select(Spool.id).where(Spool.delivery == delivery)
    asked = (
        Reading.select(fn.MIN(Reading.measured_at))
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
        .where(Reading.spool.in_(mine) & ReadingVoid.id.is_null()),
        Load.select(fn.MIN(Load.loaded_at)).where(Load.spool.in_(mine)),
        Spool.select(fn.MIN(Spool.opened_at)).where(Spool.delivery == delivery),
    )
    known = [_MOMENT.python_value(text) for text in (query.scalar(as_tuple=False) for query in asked) if text]
    return min((moment for moment in known if moment is not None), default=None)


def with_descendants(delivery: Delivery) -> list[Spool]:
    """Returns the spools of a delivery and all spools respooled from them, without withdrawn ones. One query per generation."""
    found = {row.id: row for row in Spool.select().where((Spool.delivery == delivery) & Spool.withdrawn_at.is_null())}
    last = list(found)
    while last:
        children = SpoolParent.select(SpoolParent.spool).where(SpoolParent.parent.in_(last))
        rows = Spool.select().where(Spool.id.in_(children) & Spool.withdrawn_at.is_null())
        last = [row.id for row in rows if row.id not in found]
        found |= {row.id: row for row in rows}
    return [found[number] for number in sorted(found)]


def jobs_of(delivery: Delivery) -> list[str]:
    """Returns the numbers of the jobs of a delivery's loads, sorted. One query."""
    mine = Spool.select(Spool.id).where(Spool.delivery == delivery)
    loaded = Load.select(Load.of_job).where(Load.spool.in_(mine))
    return sorted(Job.select(Job.number).where(Job.id.in_(loaded)).scalars())


def withdraw(spools: Sequence[Spool], now: datetime) -> None:
    """Withdraws spools."""
    Spool.update(withdrawn_at=now).where(Spool.id.in_([row.id for row in spools])).execute()


def set_mass(spool: Spool, net_mass_g: float) -> None:
    """Changes the net mass of a full spool, g."""
    Spool.update(net_mass_g=net_mass_g, remaining_mass_g=net_mass_g).where(Spool.id == spool.id).execute()


def set_lot(lot: Lot, values: Mapping[str, object]) -> None:
    """Changes columns of a lot, and its search keys if its number changes."""
    if values:
        Lot.update(values).where(Lot.id == lot.id).execute()
    if "supplier_lot" in values:
        search_keys.keep("lot", lot.id, str(values["supplier_lot"]))


def alone(lot: Lot) -> bool:
    """Returns True for a lot with only one delivery, and without concessions and corrective actions. Three queries."""
    asked = [model.select().where(model.lot == lot).exists() for model in (Concession, CorrectiveAction)]
    return Delivery.select().where(Delivery.lot == lot).count() == 1 and not any(asked)


def usual_counts(supplier_id: int, but: int | None = None) -> list[int]:
    """Returns the numbers of spools in a supplier's last deliveries, newest first. One query on indexes.

    It reads the deliveries of the newest lots, because "the supplier's newest deliveries" would make an engine scan all deliveries.
    """
    newest = Lot.select(Lot.id).where(Lot.supplier == supplier_id).order_by(Lot.id.desc()).limit(rules.USUAL_OF)
    query = (
        Delivery.select(fn.COUNT(Spool.id))
        .join(Spool, on=((Spool.delivery == Delivery.id) & came()))
        .where(Delivery.lot.in_(newest) & (Delivery.id != (but or 0)))
        .group_by(Delivery.id)
        .order_by(Delivery.id.desc())
        .limit(rules.USUAL_OF)
    )
    return list(query.scalars())
