"""The shelf: spools to pick and to offer, and the lots that a spool wound in the shop holds."""

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

# Not the bare moment: SQLite would take lots in that order, and so all that ever came, to find the few in stock.
_CAME = NodeList((Lot.received_at, SQL("|| ''")))
# Lots that may be loaded for some use, by their readings or by a concession.
_FIT = Lot.standing.in_(("released", "restricted")) | (Lot.concessions != SQL("'[]'"))
# Spools with filament left of one lot only, on no machine.
_HERE = LEFT & Spool.machine.is_null() & ONE_LOT


# Spools of a grade that are looked at to pick some for a job.
MOST_SPOOLS = 5000


def spools_on_shelf(grade_id: int, most: int = MOST_SPOOLS) -> list[Spool]:
    """Spools with filament of one lot left that are on no machine and whose lot may be loaded for some use, oldest lot first, only to be read.

    Two queries: each lot is read once, since its documents take longer to read than all its spools.
    """
    known = {lot.id: lot for lot in _LOTS_ON_SHELF.all(grade=grade_id)}
    found = []
    for spool in _ON_SHELF.all(grade=grade_id, most=most):
        if spool.lot_id in known:  # else it became fit to be loaded since its lot was read
            spool.lot = known[spool.lot_id]
            found.append(spool)
    return found


def lots_with_uses() -> ModelSelect[Lot]:
    """A selection of lots with what decides what they may be used for, and their names."""
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
    return (Lot.grade == given("grade")) & _FIT & Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT))


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
    return query.where(_fit_of_grade() & _HERE).order_by(_CAME, Lot.id, Spool.code).limit(given("most"))


_LOTS_ON_SHELF, _ON_SHELF = Prepared(lambda: _lots_to_check().where(_fit_of_grade())), Prepared(_on_shelf)


def _in_stock(which: Expression) -> ModelSelect[Lot]:
    # Numbers of the lots with filament left. A query of lots in the order they came would walk through all of them instead.
    stock = Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT & ONE_LOT))
    columns = (Lot.id, Lot.supplier_lot, Lot.received_at, Lot.standing, Lot.uses, Lot.lab, Lot.rules, FIGURES_SOURCES)
    of_revisions = (LimitsRevision.id, LimitsRevision.body, ShadeRevision.id, ShadeRevision.conditions)
    query = Lot.select(*columns, *of_revisions).join(Grade).switch(Lot).join(LimitsRevision, JOIN.LEFT_OUTER)
    query = query.switch(Lot).join(ShadeRevision, JOIN.LEFT_OUTER)
    return query.where(which & Lot.standing.in_(("released", "restricted")) & stock)


_OF_SHADE = Prepared(lambda: _in_stock(Grade.shade == given("shade")))
_OF_GRADE = Prepared(lambda: _in_stock(Lot.grade == given("grade")))


def lots_to_match(grade_id: int, shade_id: int | None = None) -> list[Lot]:
    """Lots released for some use with filament left of them alone, of a shade where one is given, else of a grade, in the order they came.

    Their colours and what these rest on, only to be read. One query.
    """
    found = _OF_SHADE.all(shade=shade_id) if shade_id is not None else _OF_GRADE.all(grade=grade_id)
    return sorted(found, key=lambda lot: (lot.received_at, lot.id))


def _lots_to_check() -> ModelSelect[Lot]:
    """What a clearance needs of lots."""
    return (
        Lot.select(*LOT_TO_CHECK)
        .join(Grade)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
    )


# Lots, and lots that come first, that one statement has places for.
_AT_ONCE, _FIRST_AT_ONCE = 64, 16


def _places(name: str, count: int) -> list[Value]:
    return [given(f"{name}{place}") for place in range(count)]


def _in_places(name: str, count: int, numbers: Sequence[int]) -> dict[str, int | None]:
    """Numbers for the places of a prepared query; no row has the number of a place that is left over."""
    return {f"{name}{place}": numbers[place] if place < len(numbers) else None for place in range(count)}


def _here_with_enough() -> Expression:
    enough: Expression = _HERE & (Spool.remaining_mass_g >= given("least_g"))
    return enough


def _least(mass_g: float | None) -> float:
    """The least mass of a spool that is enough, g."""
    return 0.0 if mass_g is None else mass_g - BINARY_NOISE


def _instead() -> ModelSelect[Lot]:
    # Each lot in stock once, and only then whether one of its spools will do.
    stock = Lot.id.in_(Spool.select(Spool.lot).distinct().where(LEFT))
    enough = fn.EXISTS(Spool.select(Spool.id).where((Spool.lot == Lot.id) & _here_with_enough()))
    query = Lot.select(Lot.id, Lot.received_at, Lot.lab, Lot.limits_revision)
    before = Case(None, [(Lot.id.in_(_places("first", _FIRST_AT_ONCE)), 0)], 1)
    query = query.where((Lot.grade == given("grade")) & _FIT & stock & enough)
    return query.order_by(before, _CAME, Lot.id).limit(MOST_INSTEAD)


# Lots from which other spools are offered: those of the job and of the refused spool, then the oldest.
MOST_INSTEAD = 200
_INSTEAD = Prepared(_instead)


def lots_instead(grade_id: int, mass_g: float | None, first: Sequence[int], most: int = MOST_INSTEAD) -> list[Lot]:
    """Lots with a spool to offer in place of another, only to be read: those of `first`, then the oldest.

    Number, time, colour and limits of each alone. One query, one more for each further 16 lots of `first`.

    Args:
        grade_id: the grade of the spool.
        mass_g: filament that the offered spool must have, g; None where nobody said.
        first: numbers of lots that come before all others.
        most: lots to return at most, not above `MOST_INSTEAD`.
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
    """What a clearance needs of these lots, only to be read, in any order. One query for every 64."""
    parts = (numbers[start : start + _AT_ONCE] for start in range(0, len(numbers), _AT_ONCE))
    return [lot for part in parts for lot in _TO_CHECK.all(**_in_places("lot", _AT_ONCE, part))]


_LIMITS = Prepared(
    lambda: LimitsRevision.select(LimitsRevision.id, LimitsRevision.body).where(LimitsRevision.grade == given("grade"))
)


def limits_of(grade_id: int) -> dict[int, dict[str, object]]:
    """Returns every limits revision of a grade by its number. One query on an index."""
    return {row.id: row.body for row in _LIMITS.all(grade=grade_id)}


# Only a study of agreement has another instrument; by an index.
_COMPARED = Prepared(lambda: InstrumentStudy.select(InstrumentStudy.id).where(InstrumentStudy.other > 0).limit(1))


def instruments_compared() -> bool:
    """Returns whether a study compares any two instruments, so that colours may be shifted from one to the other. One query."""
    return _COMPARED.first() is not None


# Lots whose spools are read together, and spools that are read at a time.
LOTS_TOGETHER, SPOOLS_TOGETHER = 4, 12


def _spools_instead() -> ModelSelect[Spool]:
    order = Case(Spool.lot, [(place, n) for n, place in enumerate(_places("lot", LOTS_TOGETHER))], LOTS_TOGETHER)
    query = Spool.select(Spool, Delivery.id, Delivery.came_at).join(Delivery)
    query = query.where(Spool.lot.in_(_places("lot", LOTS_TOGETHER)) & _here_with_enough())
    return query.order_by(order, Spool.opened_at.is_null(), Spool.code).limit(SPOOLS_TOGETHER).offset(given("skip"))


_SPOOLS_INSTEAD = Prepared(_spools_instead)


def spools_instead(lots: Sequence[Lot], mass_g: float | None) -> Iterator[Spool]:
    """Yields spools of these lots to offer in place of another, only to be read: lot by lot as given, opened ones first.

    One query for every 12 spools, made when they are asked for.

    Args:
        lots: as `lots_to_check` has them, at most `LOTS_TOGETHER`.
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
    """What a clearance needs of the lots that a spool holds beside its own, in the order they were recorded. One query."""
    return sorted(_FURTHER.all(spool=spool_id), key=lambda lot: lot.id)


def wound_from(spool_id: int) -> list[SpoolParent]:
    """The spools that a spool was wound from, each with the mass taken from it as `mass_g`. One query."""
    query = SpoolParent.select(SpoolParent.id, SpoolParent.mass_g, Spool.id, Spool.lot, Spool.spliced)
    return list(
        query.join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent").where(SpoolParent.spool == spool_id)
    )


def wound_onto(spool_id: int) -> list[SpoolParent]:
    """The spools that filament of a spool was wound onto, the first wound first. One query."""
    query = SpoolParent.select(SpoolParent, Spool.id, Spool.code).join(Spool, on=(SpoolParent.spool == Spool.id))
    return list(query.where(SpoolParent.parent == spool_id).order_by(SpoolParent.id))
