"""Re-inspections of lots at the end of their shelf life."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import Reinspection
from lots.store.tables.models import Lot


def of_lot(lot_id: int, known_at: datetime | None = None) -> list[Reinspection]:
    """Returns the re-inspections of a lot, oldest first, up to `known_at` when given. One query on an index."""
    if known_at is None:
        return _OF_LOT.all(lot=lot_id)
    query = Reinspection.select().where((Reinspection.lot == lot_id) & (Reinspection.recorded_at <= known_at))
    return list(query.order_by(Reinspection.id))


# Prepared, because each assessment reads them.
_OF_LOT = Prepared(lambda: Reinspection.select().where(Reinspection.lot == given("lot")).order_by(Reinspection.id))


def add(lot: Lot, values: Mapping[str, object], by: str, now: datetime) -> Reinspection:
    """Stores a re-inspection."""
    return Reinspection.create(lot=lot, **values, recorded_by=by, recorded_at=now)


def listed(lot: Lot, cursor: str | None, limit: int) -> Page[Reinspection]:
    """Returns a page of a lot's re-inspections, oldest first."""
    return page(Reinspection.select().where(Reinspection.lot == lot), Reinspection.id, cursor, limit)
