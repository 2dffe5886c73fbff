"""The shelf: spools to pick and to offer, and the lots that a spool wound in the shop holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from peewee import JOIN, SQL, Case, NodeList

from lots.domain.conformity.limits import BINARY_NOISE
from lots.store.assessment.lots import LEFT, LOT_TO_CHECK, ONE_LOT, TO_CHECK, with_lot
from lots.store.engine.compiled_queries import Prepared, given
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

# Not the bare moment: SQLite would take lots in that order, and so all that ever came, to find the few in stock.
_CAME = NodeList((Lot.received_at, SQL("|| ''")))
# Lots that may be loaded for some use, by their readings or by a concession.
_FIT = Lot.standing.in_(("released", "restricted")) | (Lot.concessions != SQL("'[]'"))
# Spools with filament left of one lot only, on no machine.
_HERE = LEFT & Spool.machine.is_null() & ONE_LOT


# Spools of a grade that are looked at to pick some for a job.
MOST_SPOOLS = 5000


def spools_on_shelf(grade_id: int, most: int = MOST_SPOOLS) -> list[Any]:
    """Spools with filament of one lot left that are on no machine and whose lot may be loaded for some use, oldest lot first.

    Two queries: each lot is read once, since its documents take longer to read than all its spools.
    """
    which = (Lot.grade == grade_id) & _FIT & Lot.id.in_(Spool.select(Spool.lot).where(LEFT))
    lots = Lot.select(Lot, Supplier, Grade, LimitsRevision, ShadeRevision).join(Supplier).switch(Lot).join(Grade)
    lots = lots.switch(Lot).join(LimitsRevision, JOIN.LEFT_OUTER).switch(Lot).join(ShadeRevision, JOIN.LEFT_OUTER)
    known = {lot.id: lot for lot in lots.where(which)}
    spools = Spool.select(Spool, Delivery).join(Lot).switch(Spool).join(Delivery).where(which & _HERE)
    found = []
    for spool in spools.order_by(_CAME, Lot.id, Spool.code).limit(most):
        if spool.lot_id in known:  # else it became fit to be loaded since its lot was read
            spool.lot = known[spool.lot_id]
            found.append(spool)
    return found


def _lots_to_check() -> Any:
    """What a clearance needs of lots."""
    return (
        Lot.select(*LOT_TO_CHECK)
        .join(Grade)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(ShadeRevision, JOIN.LEFT_OUTER)
    )


def _enough(mass_g: float | None) -> Any:
    """Spools on the shelf, with enough left where a mass is given."""
    return _HERE if mass_g is None else _HERE & (Spool.remaining_mass_g >= mass_g - BINARY_NOISE)


def lots_instead(grade_id: int, mass_g: float | None, first: Sequence[int], most: int = 200) -> list[Any]:
    """Lots with a spool to offer in place of another, only to be read: those of `first`, then the oldest. One query.

    Args:
        grade_id: the grade of the spool.
        mass_g: filament that the offered spool must have, g; None where nobody said.
        first: numbers of lots that come before all others.
        most: lots to read at most.
    """
    stock = Lot.id.in_(Spool.select(Spool.lot).where(_enough(mass_g)))
    query = _lots_to_check().where((Lot.grade == grade_id) & _FIT & stock)
    before = [Case(None, [(Lot.id.in_(list(first)), 0)], 1)] if first else []
    return list(query.order_by(*before, _CAME, Lot.id).limit(most))


def spools_instead(lots: Sequence[int], mass_g: float | None, skip: int, most: int) -> list[Any]:
    """Spools of these lots to offer in place of another, only to be read: lot by lot as given, opened ones first. One query.

    Args:
        lots: numbers, at least one.
        mass_g: as in `lots_instead`.
        skip, most: how many to leave out at the beginning, and to read at most.
    """
    order = Case(Spool.lot, [(number, place) for place, number in enumerate(lots)])
    query = with_lot(Spool.select(Spool, *TO_CHECK)).where(Spool.lot.in_(list(lots)) & _enough(mass_g))
    return list(query.order_by(order, Spool.opened_at.is_null(), Spool.code).limit(most).offset(skip))


def _further() -> Any:
    held = SpoolLot.select(SpoolLot.lot).where(SpoolLot.spool == given("spool"))
    return _lots_to_check().where(Lot.id.in_(held))


_FURTHER = Prepared(_further)


def further_lots(spool_id: int) -> list[Any]:
    """What a clearance needs of the lots that a spool holds beside its own, in the order they were recorded. One query."""
    return sorted(_FURTHER.all(spool=spool_id), key=lambda lot: lot.id)


def wound_from(spool_id: int) -> list[Any]:
    """The spools that a spool was wound from, each with the mass taken from it as `mass_g`. One query."""
    query = SpoolParent.select(SpoolParent.id, SpoolParent.mass_g, Spool.id, Spool.lot, Spool.spliced)
    return list(
        query.join(Spool, on=(SpoolParent.parent == Spool.id), attr="parent").where(SpoolParent.spool == spool_id)
    )
