"""Sorted lists of lots for the pages."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from lots.store.assessment import lots
from lots.store.assessment.lots import LEFT
from lots.store.engine.sorted_pages import Order, SortedPage, sorted_page
from lots.store.tables.models import Lot, Spool

# Each order has an index, so a page starts without a scan. There is no index by status.
ORDERS = {
    "logged": Order("logged", Lot.id, Lot.id, descending=True),
    "received": Order("received", Lot.received_at, Lot.id, descending=True, kind=datetime),
    "number": Order("number", Lot.supplier_lot, Lot.id, descending=False, kind=str),
}


def listed(
    filters: Mapping[str, object], sort: str, cursor: str | None, limit: int, *, in_stock: bool = False
) -> SortedPage[Lot]:
    """Returns a page of lots with the joins of `lots.find`. One query.

    Args:
        filters: as in `lots.listed`.
        sort: a key of ORDERS.
        cursor: from another page of this order.
        limit: rows on a page.
        in_stock: True selects only lots in stock.
    """
    query = lots.filtered(filters)
    if in_stock:
        query = query.where(Lot.id.in_(Spool.select(Spool.lot).where(LEFT)))
    return sorted_page(query, ORDERS[sort], cursor, limit)
