"""Released lots in stock by grade, with their spools on the shelf."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from peewee import fn

from lots.store.assessment.lots import LEFT
from lots.store.tables.models import Grade, Lot, Spool


class LotInStock(NamedTuple):
    """A lot released for some use, with its number of spools and mass of filament on the shelf, g."""

    id: int
    supplier_lot: str
    standing: str
    received_at: datetime
    grade_id: int
    grade: str
    color_name: str
    spools: int
    mass_g: float


def lots_in_stock() -> list[LotInStock]:
    """Returns the lots released for some use and on the shelf, by grade, newest first. One query on the index of stock."""
    of_lot = (Lot.id, Lot.supplier_lot, Lot.standing, Lot.received_at, Grade.id, Grade.code, Grade.color_name)
    query = (
        Spool.select(*of_lot, fn.COUNT(Spool.id), fn.SUM(Spool.remaining_mass_g))
        .join(Lot)
        .join(Grade)
        .where(LEFT & Spool.machine.is_null() & Lot.standing.in_(("released", "restricted")))
        .group_by(*of_lot)
    )
    rows = [LotInStock._make(row) for row in query.tuples().iterator()]
    return sorted(rows, key=lambda row: (row.grade, -row.received_at.timestamp(), -row.id))
