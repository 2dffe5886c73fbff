"""Sorted lists of deliveries for the pages."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import cast

from lots.store.engine.paging import among
from lots.store.engine.sorted_pages import Order, SortedPage, sorted_page
from lots.store.receiving.deliveries import LOT_SHOWN
from lots.store.tables.models import Delivery, Lot

# Each order has an index.
ORDERS = {
    "logged": Order("logged", Delivery.id, Delivery.id, descending=True),
    "received": Order("received", Delivery.came_at, Delivery.id, descending=True, kind=datetime),
}


def listed(filters: Mapping[str, object], sort: str, cursor: str | None, limit: int) -> SortedPage[Delivery]:
    """Returns a page of deliveries with the list columns of their lots. One query.

    Args:
        filters: `supplier_id`, `grade_id`, `lot_id`, `received_from`, `received_to`.
        sort: a key of ORDERS.
        cursor: from another page of this order.
        limit: rows on a page.
    """
    query = Delivery.select(Delivery, *LOT_SHOWN).join(Lot)
    moments = {name: cast("datetime | None", filters.get(name)) for name in ("received_from", "received_to")}
    query = among(query, Delivery, "came_at", moments["received_from"], moments["received_to"])
    if "lot_id" in filters:
        query = query.where(Delivery.lot == filters["lot_id"])
    whose = {"supplier_id": Lot.supplier, "grade_id": Lot.grade}
    for name, column in whose.items():
        if name in filters:
            query = query.where(column == filters[name])
    return sorted_page(query, ORDERS[sort], cursor, limit)
