"""The list of lots that people read: filtered, sorted, page by page, each lot with what it may be used for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from lots.services import clock, views
from lots.services.production.lot_uses import line
from lots.services.views import View
from lots.store.assessment import lot_list as store
from lots.store.assessment.lot_list import ORDERS
from lots.store.engine.sorted_pages import SortedPage

SORTS = tuple(ORDERS)
# Lots in stock that are looked at to find those that may be loaded for a use.
_LOOKED_AT = 100
_LOADABLE = ("yes", "concession")


def listed(
    filters: Mapping[str, object], use: str | None, sort: str, cursor: str | None, limit: int
) -> SortedPage[tuple[View, View]]:
    """Returns a page of lots, each with the line of what it may be used for. One query, however many lots there are.

    Args:
        filters: as GET /v1/lots takes them.
        use: only lots in stock that may be loaded for it, among the next 100 in stock. A page may then hold few lots though more follow.
        sort: one of SORTS.
        cursor: from another page of this order.
        limit: lots on a page.
    """
    now = clock.now()
    found = store.listed(filters, sort, cursor, limit if use is None else _LOOKED_AT, in_stock=use is not None)

    lines = [(row, line(row, now)) for row in found.rows]
    rows = [(views.lot(row), one) for row, one in lines if use is None or use in loadable_for(one)]
    return SortedPage(rows, found.next, found.previous)


def loadable_for(one: View) -> list[str]:
    """Returns the uses that a lot may be loaded for, of its line."""
    uses = cast("list[dict[str, str]]", one["uses"])
    return [each["use"] for each in uses if each["answer"] in _LOADABLE]
