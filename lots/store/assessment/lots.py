"""Lots, deliveries and spools."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from peewee import JOIN, SQL, Expression, ModelCompoundSelectQuery, ModelSelect, Value, fn

from lots.domain.code_identity import alike, identity, likeness
from lots.domain.production.masses import NOISE_G
from lots.domain.receiving.coverage import CLOSED_LOT
from lots.store.assessment.spool_findings import inherited
from lots.store.engine.compiled_queries import Prepared, PreparedModels, given, update
from lots.store.engine.database import locks_rows
from lots.store.engine.paging import Page, among, page
from lots.store.setup import search_keys, spool_codes
from lots.store.tables.lots import FIGURES_SOURCES
from lots.store.tables.models import (
    Delivery,
    Grade,
    LimitsRevision,
    Lot,
    Resumption,
    Shade,
    ShadeRevision,
    Spool,
    SpoolLot,
    SpoolParent,
    Supplier,
)


def _with_names() -> ModelSelect[Lot]:
    return (
        Lot.select(Lot, Supplier, Grade, LimitsRevision, ShadeRevision, Shade)
        .join(Supplier)
        .switch(Lot)
        .join(Grade)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .join(Shade, JOIN.LEFT_OUTER)
    )


def all_with_names(numbers: Iterable[int]) -> dict[int, Lot]:
    """Returns lots by id, each with the joins of `find`. One query, none without lots."""
    return {row.id: row for row in _with_names().where(Lot.id.in_(wanted))} if (wanted := sorted(set(numbers))) else {}


def still_open() -> Expression:
    """Returns the condition that a lot has a delivery that is not closed."""
    return Lot.to_measure != Value([CLOSED_LOT], converter=Lot.to_measure.db_value, unpack=False)


def find(number: int) -> Lot | None:
    """Returns a lot with its supplier, grade and revisions of limits and shade, or None. One query."""
    return next(iter(_numbered(1).all(lot_0=number)), None)


def lock(numbers: Iterable[int]) -> dict[int, Lot]:
    """Returns lots by id with the joins of `find`, locked until the transaction ends. Locking in order of ids prevents deadlocks."""
    wanted = sorted(set(numbers))
    if locks_rows():
        list(Lot.select(Lot.id).where(Lot.id.in_(wanted)).order_by(Lot.id).for_update())
    named = {f"lot_{place}": number for place, number in enumerate(wanted)}
    return {row.id: row for row in _numbered(len(named)).all(**named)} if named else {}


@lru_cache(maxsize=32)  # most requests lock one lot, and more lots take long in any case
def _numbered(n: int) -> PreparedModels[Lot]:
    return PreparedModels(
        lambda: _with_names().where(Lot.id.in_([given(f"lot_{place}") for place in range(n)])).order_by(Lot.id)
    )


def listed(
    filters: Mapping[str, object],
    cursor: str | None,
    limit: int,
    *,
    newest_first: bool = False,
    of: ModelSelect[Lot] | None = None,
) -> Page[Lot]:
    """Returns a page of lots in the order of their first record, or in reverse.

    `filters` has the names of the API. `of` is the selection; by default a lot with all joins of `find`.
    """
    return page(filtered(filters, of), Lot.id, cursor, limit, newest_first=newest_first)


def filtered(filters: Mapping[str, object], of: ModelSelect[Lot] | None = None) -> ModelSelect[Lot]:
    """Returns the query of lots for these filters, as in `listed`."""
    moments = {name: value for name, value in filters.items() if isinstance(value, datetime)}
    query = _with_names() if of is None else of
    query = among(query, Lot, "received_at", moments.get("received_from"), moments.get("received_to"))
    for name, value in filters.items():
        if name in ("received_from", "received_to"):
            continue
        if name == "supplier_lot":
            query = query.where(Lot.id.in_(_numbered_as(str(value))))
        else:
            query = query.where(getattr(Lot, name.removesuffix("_id")) == value)
    return query


def _numbered_as(supplier_lot: str) -> ModelCompoundSelectQuery:
    """Returns the query of ids of lots with this lot number or its identity."""
    exact, same = Lot.alias(), Lot.alias()
    by_text = exact.select(exact.id).where(exact.supplier_lot == supplier_lot)
    return by_text | same.select(same.id).where(same.identity == identity(supplier_lot))


def same_number(supplier: Supplier, grade: Grade, supplier_lot: str) -> Lot | None:
    """Returns the lot of a supplier and grade with exactly this lot number, else with its identity, else None. One query on indexes."""
    same = (Lot.supplier_lot == supplier_lot) | (Lot.identity == identity(supplier_lot))
    found = list(Lot.select().where((Lot.supplier == supplier) & (Lot.grade == grade) & same))
    return next((lot for lot in found if lot.supplier_lot == supplier_lot), found[0] if found else None)


def similar_numbers(supplier: Supplier, grade: Grade, supplier_lot: str) -> list[Lot]:
    """Returns lots of a supplier and grade with open deliveries whose number may be confused with this one. One query on an index."""
    key = (Lot.likeness == likeness(supplier_lot)) & still_open()
    rows = Lot.select().where((Lot.supplier == supplier) & (Lot.grade == grade) & key).order_by(Lot.id)
    return [row for row in rows if alike(row.supplier_lot, supplier_lot)][:20]


def add(
    supplier: Supplier,
    grade: Grade,
    supplier_lot: str,
    received_at: datetime,
    now: datetime,
    resubmission_of: int | None = None,
) -> Lot:
    """Stores a new lot, in quarantine until assessed, with its search keys. Two statements."""
    row = Lot.create(
        supplier=supplier,
        grade=grade,
        supplier_lot=supplier_lot,
        identity=identity(supplier_lot),
        likeness=likeness(supplier_lot),
        received_at=received_at,
        recorded_at=now,
        standing="quarantined",
        assessed="quarantined",
        uses={},
        why={},
        to_measure=[],
        accepted=[],
        shrinkage={},
        shrinkage_uncertainty={},
        figures={},
        retestable=[],
        retests_cleared={},
        concessions=[],
        resubmission_of=resubmission_of,
    )
    search_keys.keep("lot", row.id, supplier_lot, new=True)
    return row


def save_judgement(lot: Lot, values: Mapping[str, object]) -> None:
    """Stores the assessment of a lot locked by `lock`, and raises its version."""
    values = {**values, "version": lot.version + 1}
    update(Lot, lot.id, values)
    for name, value in values.items():
        setattr(lot, name, value)


def in_stock(*, shade_id: int | None = None, grade_id: int | None = None) -> list[Lot]:
    """Returns the lots of a shade or a grade that are released for some use and in stock, in order of receipt. One query."""
    which = Grade.shade == shade_id if shade_id is not None else Lot.grade == grade_id
    # The subquery uses the index of spools in stock. Sorting in the engine would make it scan all lots instead.
    stock = Lot.id.in_(Spool.select(Spool.lot).where(LEFT))
    query = _with_names().where(which & Lot.standing.in_(("released", "restricted")) & stock)
    return sorted(query, key=lambda lot: (lot.received_at, lot.id))


# The condition must have the text of the partial index `spool_in_stock`.
LEFT = (Spool.remaining_mass_g > SQL("0")) & Spool.withdrawn_at.is_null()
# Spools with filament of their own lot only.
ONE_LOT = ~fn.EXISTS(SpoolLot.select(SpoolLot.id).where(SpoolLot.spool == Spool.id))


def earlier(lot: Lot, standings: Sequence[str]) -> Iterable[Lot]:
    """Returns an iterator of earlier lots of the same supplier and grade with these statuses, newest first."""
    before = (Lot.received_at < lot.received_at) | ((Lot.received_at == lot.received_at) & (Lot.id < lot.id))
    query = Lot.select().where(
        (Lot.supplier == lot.supplier_id) & (Lot.grade == lot.grade_id) & before & Lot.standing.in_(list(standings))
    )
    return query.order_by(Lot.received_at.desc(), Lot.id.desc()).iterator()


def newest_of_grade(grade_id: int, most: int, before: Lot | None = None, supplier_id: int | None = None) -> list[Lot]:
    """Returns the figures of the newest lots of a grade, of a supplier and received before a lot when given. One query on an index."""
    query = Lot.select(Lot.id, Lot.figures).where(Lot.grade == grade_id)
    if before is not None:
        earlier_day = Lot.received_at < before.received_at
        query = query.where(earlier_day | ((Lot.received_at == before.received_at) & (Lot.id < before.id)))
    if supplier_id is not None:
        query = query.where(Lot.supplier == supplier_id)
    return list(query.order_by(Lot.received_at.desc(), Lot.id.desc()).limit(most))


def newest_whole(grade_id: int, most: int) -> list[Lot]:
    """Returns the newest lots of a grade with the joins of `find`, newest first. One query."""
    return list(_with_names().where(Lot.grade == grade_id).order_by(Lot.received_at.desc(), Lot.id.desc()).limit(most))


def waiting(supplier_id: int, grade_id: int) -> list[int]:
    """Returns the ids of the lots of a supplier and grade in quarantine."""
    query = Lot.select(Lot.id).where(Lot.supplier == supplier_id, Lot.grade == grade_id, Lot.standing == "quarantined")
    return [row.id for row in query.order_by(Lot.id)]


def last_resumption(supplier_id: int, grade_id: int, known_at: datetime | None = None) -> Resumption | None:
    """Returns the newest resumption of inspection, up to `known_at` when given, or None."""
    query = Resumption.select().where((Resumption.supplier == supplier_id) & (Resumption.grade == grade_id))
    if known_at is not None:
        query = query.where(Resumption.recorded_at <= known_at)
    return query.order_by(Resumption.id.desc()).get_or_none()


def resume(supplier_id: int, grade_id: int, reason: str, by: str, now: datetime) -> Resumption:
    """Stores a resumption of inspection."""
    return Resumption.create(supplier=supplier_id, grade=grade_id, reason=reason, recorded_by=by, recorded_at=now)


def spool_count(lot: Lot) -> int:
    """Returns the number of spools logged for a lot, including withdrawn ones."""
    return Spool.select().where(Spool.lot == lot).count()


def add_spools(lot: Lot, delivery: Delivery, spools: Sequence[tuple[str, float]]) -> list[Spool]:
    """Stores spools (code, net mass in g) and returns them in the same order."""
    rows = [
        {"code": code, "lot": lot, "delivery": delivery, "net_mass_g": mass, "remaining_mass_g": mass, **_folded(code)}
        for code, mass in spools
    ]
    for start in range(0, len(rows), 100):
        Spool.insert_many(rows[start : start + 100]).execute()
    stored = {row.code: row for row in Spool.select().where(Spool.delivery == delivery)}
    return [stored[code] for code, _ in spools]


def _folded(code: str) -> dict[str, str]:
    """Returns the lookup columns of a spool, which do not depend on the spelling of its code."""
    return {"identity": identity(code), "likeness": likeness(code)}


def spools_of(lot: Lot) -> list[Spool]:
    """Returns the spools of a lot, sorted by code."""
    return list(Spool.select().where(Spool.lot == lot).order_by(Spool.code))


def with_lot(spools: ModelSelect[Spool]) -> ModelSelect[Spool]:
    """Returns a query of spools joined with lot, grade, delivery and the lot's revisions of limits and shade."""
    return (
        spools.join(Lot)
        .join(Grade)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Spool)
        .join(Delivery)
    )


def spools_with_lots() -> ModelSelect[Spool]:
    """Returns a query of spools with the joins of `with_lot` and the supplier."""
    whole = Spool.select(Spool, Lot, Supplier, Grade, LimitsRevision, ShadeRevision, Delivery)
    return with_lot(whole).switch(Lot).join(Supplier)


def spool(code: str) -> Spool | None:
    """Returns a spool with lot, supplier, grade, delivery and the lot's revisions, or None.

    One query on unique indexes, and one more for a code in another spelling.
    """
    row: Spool | None = spool_codes.chosen(code, spools_with_lots().where(spool_codes.written(code)))
    return row


# The columns of a lot and its grade for a spool check. Further JSON columns would be parsed at each check for nothing.
LOT_TO_CHECK = (
    *(
        Lot.id,
        Lot.grade,
        Lot.supplier_lot,
        Lot.received_at,
        Lot.judged_at,
        Lot.standing,
        Lot.by_hand,
        Lot.by_hand_reason,
    ),
    *(Lot.uses, Lot.why, Lot.wet, Lot.concessions, Lot.lab, Lot.flow_factor, Lot.shrinkage, Lot.shrinkage_uncertainty),
    *(Lot.reinspected_until, Lot.moisture_at, Lot.printed, Lot.flow_uncertainty, Lot.rules, FIGURES_SOURCES),
    Lot.color_between,
    *(Grade.id, Grade.shade, Grade.cautions, Grade.shelf_life_days, Grade.open_life_days),
    *(Grade.dry_c, Grade.dry_h, Grade.softening_c, Grade.dry_for_h, Grade.dry_for_open_h),
    *(Grade.nominal_diameter_mm, Grade.density_g_cm3, Grade.color_name, Grade.finish, Grade.filler, Grade.filler_kind),
    *(Grade.forbidden_uses, Grade.permitted_uses, Grade.forbidden_shapes),
    *(LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.lab, ShadeRevision.conditions),
)
TO_CHECK = (*LOT_TO_CHECK, Delivery.id, Delivery.came_at)


def _spool_to_check() -> ModelSelect[Spool]:
    same = (Spool.code == given("code")) | (Spool.identity == given("identity"))
    return with_lot(Spool.select(Spool, *TO_CHECK)).where(same)


_SPOOL = Prepared(_spool_to_check)


def spool_seen(code: str) -> Spool | None:
    """Returns a read-only spool with the columns for a spool check, or None. Queries as in `spool`."""
    row: Spool | None = spool_codes.chosen(code, _SPOOL.all(code=code, identity=identity(code)))
    return row


def note_life(spool: Spool, values: Mapping[str, datetime | None]) -> None:
    """Stores the times of opening and drying of a spool."""
    Spool.update(**values).where(Spool.id == spool.id).execute()


def wind(
    code: str, lot: Lot, delivery: Delivery, parents: Sequence[tuple[Spool, float]], by: str, now: datetime
) -> dict[str, list[int]]:
    """Stores a spool respooled from others, subtracts the mass from them, and stores its parents and lots.

    Returns the ids of the new rows by table.
    """
    mass = sum(taken for _, taken in parents)
    opened = min((parent.opened_at for parent, _ in parents if parent.opened_at), default=now)
    made = Spool.create(
        code=code,
        **_folded(code),
        lot=lot,
        delivery=delivery,
        net_mass_g=mass,
        remaining_mass_g=mass,
        opened_at=opened,
        spliced=True,
    )
    further = {parent.lot_id for parent, _ in parents}
    links = []
    for parent, taken in parents:
        left = parent.remaining_mass_g - taken
        # A remainder within the rounding error of the sum counts as empty.
        left = left if left > NOISE_G else 0.0
        Spool.update(remaining_mass_g=left, opened_at=parent.opened_at or now).where(Spool.id == parent.id).execute()
        links.append(SpoolParent.create(spool=made, parent=parent, mass_g=taken, recorded_by=by, recorded_at=now).id)
        further |= {row.lot_id for row in SpoolLot.select().where(SpoolLot.spool == parent)}
    Spool.update(nonconforming=inherited([made.id]).get(made.id) or None).where(Spool.id == made.id).execute()
    held = [SpoolLot.create(spool=made, lot=number).id for number in sorted(further - {lot.id})]
    return {"spool": [made.id], "spool_parent": links, "spool_lot": held}


def parents_of(spool: Spool) -> list[SpoolParent]:
    """Returns the parents of a respooled spool."""
    query = SpoolParent.select(SpoolParent, Spool).join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent")
    return list(query.where(SpoolParent.spool == spool).order_by(SpoolParent.id))


def put_on_machine(spool: Spool, machine: str) -> None:
    """Stores the machine of a spool."""
    Spool.update(machine=machine).where(Spool.id == spool.id).execute()


def take_off_machine(spool_id: int, remaining_mass_g: float) -> None:
    """Stores that a spool is off its machine, and its remaining mass."""
    Spool.update(machine=None, remaining_mass_g=remaining_mass_g).where(Spool.id == spool_id).execute()


class WaitingLot(NamedTuple):
    """A lot that waits for quality, with the columns of a list."""

    id: int
    supplier_lot: str
    standing: str
    received_at: datetime
    to_measure: list[str]
    by_hand: str | None
    supplier: str
    grade: str


def of_standings(standings: Sequence[str]) -> list[WaitingLot]:
    """Returns all lots with these statuses, in the order of their first record. One query of few columns, because there may be many."""
    own = (Lot.id, Lot.supplier_lot, Lot.standing, Lot.received_at, Lot.to_measure, Lot.by_hand)
    rows = Lot.select(*own, Supplier.name, Grade.code).join(Supplier).switch(Lot).join(Grade).order_by(Lot.id)
    return [WaitingLot._make(row) for row in rows.where(Lot.standing.in_(standings)).tuples().iterator()]
