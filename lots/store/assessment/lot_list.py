"""Lots as a list that people sort and leaf through."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from lots.store.assessment import lots
from lots.store.assessment.lots import LEFT
from lots.store.engine.sorted_pages import Order, SortedPage, sorted_page
from lots.store.tables.models import Lot, Spool

# Each is the order of an index, so that a page is read where it begins. No index sorts by status within the order of another.
ORDERS = {
    "logged": Order("logged", Lot.id, Lot.id, descending=True),
    "received": Order("received", Lot.received_at, Lot.id, descending=True, kind=datetime),
    "number": Order("number", Lot.supplier_lot, Lot.id, descending=False, kind=str),
}


def listed(
    filters: Mapping[str, object], sort: str, cursor: str | None, limit: int, *, in_stock: bool = False
) -> SortedPage[Lot]:
    """A page of lots with everything that goes with them. One query.

    Args:
        filters: as for `lots.listed`.
        sort: one of ORDERS.
        cursor: from another page of this order.
        limit: rows on a page.
        in_stock: only those with filament left.
    """
    query = lots.filtered(filters)
    if in_stock:
        query = query.where(Lot.id.in_(Spool.select(Spool.lot).where(LEFT)))
    return sorted_page(query, ORDERS[sort], cursor, limit)
