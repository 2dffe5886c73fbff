"""Results of the original inspections of a supplier's lots, in order of receipt."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

from lots.domain.receiving.severity import Inspected
from lots.store.tables.models import Lot


class Line(NamedTuple):
    """A lot in the supplier's record: its acceptance by original inspection (None while open), and whether it was resubmitted."""

    lot_id: int
    supplier_lot: str
    accepted: bool | None
    resubmitted: bool


def concluded(
    supplier_id: int, grade_id: int, since: datetime | None = None, but: int | None = None
) -> list[Inspected]:
    """Returns the results of concluded original inspections of a supplier and grade, oldest first. One query on an index.

    Args:
        supplier_id: the supplier.
        grade_id: the grade.
        since: only lots received after this time.
        but: the id of a lot to leave out.
    """
    query = Lot.select(Lot.first_inspection, Lot.resubmission_of).where(
        (Lot.supplier == supplier_id) & (Lot.grade == grade_id) & Lot.first_inspection.is_null(False)
    )
    if since is not None:
        query = query.where(Lot.received_at > since)
    if but is not None:
        query = query.where(Lot.id != but)
    rows = query.order_by(Lot.received_at, Lot.id).tuples().execute()
    return [Inspected(ended["accepted"], before is not None, ended["within_gap"]) for ended, before in rows]


def newest(supplier_id: int, grade_id: int, most: int) -> list[Line]:
    """Returns the newest lots of a supplier and grade, oldest first. One query on an index."""
    query = Lot.select(Lot.id, Lot.supplier_lot, Lot.first_inspection, Lot.resubmission_of)
    query = query.where((Lot.supplier == supplier_id) & (Lot.grade == grade_id))
    rows = query.order_by(Lot.received_at.desc(), Lot.id.desc()).limit(most).tuples().execute()
    lines = [
        Line(number, supplier_lot, ended["accepted"] if ended else None, before is not None)
        for number, supplier_lot, ended, before in rows
    ]
    return lines[::-1]
