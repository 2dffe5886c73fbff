"""Spools on the shelf: spools to pick, alternatives to a refused spool, and the lots of respooled filament."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from peewee import JOIN, SQL, Case, Expression, ModelSelect, NodeList, Value, fn

from lots.domain.conformity.limits import BINARY_NOISE
from lots.store.assessment.lots import LEFT, LOT_TO_CHECK, ONE_LOT
from lots.store.engine.compiled_queries import Prepared, given
from lots.store.tables.lots import FIGURES_SOURCES
from lots.store.tables.models import (
    Delivery,
    Grade,
    LimitsRevision,
    Lot,
    ShadeRevision,
    Spool,
    SpoolLot,
    SpoolParent,
    Supplier,
)
from lots.store.tables.studies import InstrumentStudy

# An expression instead of the column, because SQLite would scan all lots in the order of an index to find the few in stock.
_RECEIVED_ORDER = NodeList((Lot.received_at, SQL("|| ''")))
# Lots released for some use, or with a concession.
_LOADABLE = Lot.standing.in_(("released", "restricted")) | (Lot.concessions != SQL("'[]'"))
# Spools in stock with filament of one lot, on no machine.
_ON_SHELF_ALONE = LEFT & Spool.machine.is_null() & ONE_LOT


# The largest number of spools of a grade considered for a pick.
MOST_SPOOLS = 5000


def spools_on_shelf(grade_id: int, most: int = MOST_SPOOLS) -> list[Spool]:
    """Returns spools on the shelf with filament of one lot that may be loaded for some use, oldest lot first. Read-only rows.

    Two queries. Each lot is read once, because its JSON takes longer to parse than all its spools.
    """
    known = {lot.id: lot for lot in _LOTS_ON_SHELF.all(grade=grade_id)}
    found = []
    for spool in _ON_SHELF.all(grade=grade_id, most=most):
        if spool.lot_id in known:  # otherwise its lot was released between the queries
            spool.lot = known[spool.lot_id]
            found.append(spool)
    return found


def lots_with_uses() -> ModelSelect[Lot]:
    """Returns a query of lots with the columns that decide their permitted uses, and their names."""
    columns = (Lot.id, Lot.supplier_lot, Lot.received_at, Lot.judged_at, Lot.standing, Lot.by_hand, Lot.by_hand_reason)
    of_grade = (Grade.id, Grade.code, Grade.cautions, Grade.color_name, Grade.finish, Grade.filler, Grade.filler_kind)
    lists = (Grade.forbidden_uses, Grade.permitted_uses, Grade.forbidden_shapes)
    of_revisions = (LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.lab)
    query = Lot.select(
        *columns, Lot.uses, Lot.why, Lot.concessions, Supplier.id, Supplier.name, *of_grade, *lists, *of_revisions
    )
    query = query.join(Supplier).switch(Lot).join(Grade).switch(Lot).join(LimitsRevision, JOIN.LEFT_OUTER)
    return query.switch(Lot).join(ShadeRevision, JOIN.LEFT_OUTER)


def _fit_of_grade() -> Expression:
    return (Lot.grade == given("grade")) & _LOADABLE & Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT))


def _on_shelf() -> ModelSelect[Spool]:
    columns = (
        Spool.id,
        Spool.code,
        Spool.lot,
        Spool.remaining_mass_g,
        Spool.nonconforming,
        Spool.machine,
        Spool.opened_at,
    )
    dry = (Spool.dried_at, Spool.dry_at, Spool.dried_by_rule_at)
    query = Spool.select(*columns, *dry, Spool.spliced, Spool.withdrawn_at, Spool.color, Delivery.id, Delivery.came_at)
    query = query.join(Lot).switch(Spool).join(Delivery)
    return (
        query.where(_fit_of_grade() & _ON_SHELF_ALONE)
        .order_by(_RECEIVED_ORDER, Lot.id, Spool.code)
        .limit(given("most"))
    )


_LOTS_ON_SHELF, _ON_SHELF = Prepared(lambda: _lots_to_check().where(_fit_of_grade())), Prepared(_on_shelf)


def _in_stock(which: Expression) -> ModelSelect[Lot]:
    # The subquery uses the index of spools in stock. Sorting in the engine would make it scan all lots instead.
    stock = Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT & ONE_LOT))
    columns = (Lot.id, Lot.supplier_lot, Lot.received_at, Lot.standing, Lot.uses, Lot.lab, Lot.rules, FIGURES_SOURCES)
    of_revisions = (LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.conditions)
    query = Lot.select(*columns, *of_revisions).join(Grade).switch(Lot).join(LimitsRevision, JOIN.LEFT_OUTER)
    query = query.switch(Lot).join(ShadeRevision, JOIN.LEFT_OUTER)
    return query.where(which & Lot.standing.in_(("released", "restricted")) & stock)


_OF_SHADE = Prepared(lambda: _in_stock(Grade.shade == given("shade")))
_OF_GRADE = Prepared(lambda: _in_stock(Lot.grade == given("grade")))


def lots_to_match(grade_id: int, shade_id: int | None = None) -> list[Lot]:
    """Returns lots released for some use and in stock on spools of their own, of a shade, else of a grade, in order of receipt.

    Read-only rows with the columns of colour. One query.
    """
    found = _OF_SHADE.all(shade=shade_id) if shade_id is not None else _OF_GRADE.all(grade=grade_id)
    return sorted(found, key=lambda lot: (lot.received_at, lot.id))


def _lots_to_check() -> ModelSelect[Lot]:
    """Returns the query of lots for spool checks."""
    return (
        Lot.select(*LOT_TO_CHECK)
        .join(Grade)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
    )


# The numbers of placeholders for lots, and for lots that come first, in one statement.
_AT_ONCE, _FIRST_AT_ONCE = 64, 16


def _places(name: str, count: int) -> list[Value]:
    return [given(f"{name}{place}") for place in range(count)]


def _in_places(name: str, count: int, numbers: Sequence[int]) -> dict[str, int | None]:
    """Returns ids for the placeholders of a prepared query. Unused placeholders get None, which matches no row."""
    return {f"{name}{place}": numbers[place] if place < len(numbers) else None for place in range(count)}


def _here_with_enough() -> Expression:
    enough: Expression = _ON_SHELF_ALONE & (Spool.remaining_mass_g >= given("least_g"))
    return enough


def _least(mass_g: float | None) -> float:
    """Returns the smallest sufficient mass on a spool, g."""
    return 0.0 if mass_g is None else mass_g - BINARY_NOISE


def _instead() -> ModelSelect[Lot]:
    # The lots in stock are found first, then the spools of each are checked.
    stock = Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT))
    enough = fn.EXISTS(Spool.select(Spool.id).where((Spool.lot == Lot.id) & _here_with_enough()))
    query = Lot.select(Lot.id, Lot.received_at, Lot.lab, Lot.limits_revision)
    before = Case(None, [(Lot.id.in_(_places("first", _FIRST_AT_ONCE)), 0)], 1)
    query = query.where((Lot.grade == given("grade")) & _LOADABLE & stock & enough)
    return query.order_by(before, _RECEIVED_ORDER, Lot.id).limit(MOST_INSTEAD)


# The largest number of lots with alternative spools: those of the job and of the refused spool, then the oldest.
MOST_INSTEAD = 200
_INSTEAD = Prepared(_instead)


def lots_instead(grade_id: int, mass_g: float | None, first: Sequence[int], most: int = MOST_INSTEAD) -> list[Lot]:
    """Returns lots with an alternative spool: those of `first`, then the oldest. Read-only rows.

    Only id, time, colour and limits are read. One query, one more per further 16 lots of `first`.

    Args:
        grade_id: the grade of the spool.
        mass_g: required filament on the alternative spool, g; None if unknown.
        first: ids of lots that come before all others.
        most: largest number of lots, at most `MOST_INSTEAD`.
    """
    found: dict[int, Lot] = {}
    after: list[Lot] = []
    for start in range(0, max(1, len(first)), _FIRST_AT_ONCE):
        part = first[start : start + _FIRST_AT_ONCE]
        after = _INSTEAD.all(grade=grade_id, least_g=_least(mass_g), **_in_places("first", _FIRST_AT_ONCE, part))
        found |= {lot.id: lot for lot in after if lot.id in part}
    came_first = sorted(found.values(), key=lambda lot: (lot.received_at, lot.id))
    return [*came_first, *(lot for lot in after if lot.id not in first)][:most]


_TO_CHECK = Prepared(lambda: _lots_to_check().where(Lot.id.in_(_places("lot", _AT_ONCE))))


def lots_to_check(numbers: Sequence[int]) -> list[Lot]:
    """Returns lots by id for spool checks, in any order. Read-only rows. One query per 64 lots."""
    parts = (numbers[start : start + _AT_ONCE] for start in range(0, len(numbers), _AT_ONCE))
    return [lot for part in parts for lot in _TO_CHECK.all(**_in_places("lot", _AT_ONCE, part))]


_LIMITS = Prepared(
    lambda: LimitsRevision.select(LimitsRevision.id, LimitsRevision.body).where(LimitsRevision.grade == given("grade"))
)


def limits_of(grade_id: int) -> dict[int, dict[str, object]]:
    """Returns the limits of a grade by the id of their revision. One query on an index."""
    return {row.id: row.body for row in _LIMITS.all(grade=grade_id)}


# Only agreement studies have a second instrument. The condition uses its index.
_COMPARED = Prepared(lambda: InstrumentStudy.select(InstrumentStudy.id).where(InstrumentStudy.other > 0).limit(1))


def instruments_compared() -> bool:
    """Returns whether an agreement study exists, so that colours may be corrected between instruments. One query."""
    return _COMPARED.first() is not None


# Lots per query of spools, and spools per query.
LOTS_TOGETHER, SPOOLS_TOGETHER = 4, 12


def _spools_instead() -> ModelSelect[Spool]:
    order = Case(Spool.lot, [(place, n) for n, place in enumerate(_places("lot", LOTS_TOGETHER))], LOTS_TOGETHER)
    query = Spool.select(Spool, Delivery.id, Delivery.came_at).join(Delivery)
    query = query.where(Spool.lot.in_(_places("lot", LOTS_TOGETHER)) & _here_with_enough())
    return query.order_by(order, Spool.opened_at.is_null(), Spool.code).limit(SPOOLS_TOGETHER).offset(given("skip"))


_SPOOLS_INSTEAD = Prepared(_spools_instead)


def spools_instead(lots: Sequence[Lot], mass_g: float | None) -> Iterator[Spool]:
    """Yields alternative spools of these lots, lot by lot in the given order, opened ones first. Read-only rows.

    One lazy query per 12 spools.

    Args:
        lots: from `lots_to_check`, at most `LOTS_TOGETHER`.
        mass_g: as in `lots_instead`.
    """
    held = {lot.id: lot for lot in lots}
    places, skip = _in_places("lot", LOTS_TOGETHER, list(held)), 0
    while True:
        spools = _SPOOLS_INSTEAD.all(**places, least_g=_least(mass_g), skip=skip)
        for spool in spools:
            spool.lot = held[spool.lot_id]
            yield spool
        if len(spools) < SPOOLS_TOGETHER:
            return
        skip += SPOOLS_TOGETHER


def _further() -> ModelSelect[Lot]:
    held = SpoolLot.select(SpoolLot.lot).where(SpoolLot.spool == given("spool"))
    return _lots_to_check().where(Lot.id.in_(held))


_FURTHER = Prepared(_further)


def further_lots(spool_id: int) -> list[Lot]:
    """Returns the further lots of a spliced spool for a spool check, oldest record first. One query."""
    return sorted(_FURTHER.all(spool=spool_id), key=lambda lot: lot.id)


def wound_from(spool_id: int) -> list[SpoolParent]:
    """Returns the parents of a respooled spool, each with the mass taken as `mass_g`. One query."""
    query = SpoolParent.select(SpoolParent.id, SpoolParent.mass_g, Spool.id, Spool.lot, Spool.spliced)
    return list(
        query.join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent").where(SpoolParent.spool == spool_id)
    )


def wound_onto(spool_id: int) -> list[SpoolParent]:
    """Returns the spools respooled from a spool, oldest first. One query."""
    query = SpoolParent.select(SpoolParent, Spool.id, Spool.code).join(Spool, on=(SpoolParent.spool == Spool.id))
    return list(query.where(SpoolParent.parent == spool_id).order_by(SpoolParent.id))
