"""The list of lots for the pages: filtered and sorted, each lot with its permitted uses."""

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
# Lots in stock that one request checks when it filters by use.
_LOOKED_AT = 100
_LOADABLE = ("yes", "concession")


def listed(
    filters: Mapping[str, object], use: str | None, sort: str, cursor: str | None, limit: int
) -> SortedPage[tuple[View, View]]:
    """Returns a page of lots, each with its permitted uses. One query for any number of lots.

    Args:
        filters: as in GET /v1/lots.
        use: return only lots that may be loaded for this use, among the next 100 in stock. Such a page may be short although more follow.
        sort: one of SORTS.
        cursor: from another page of the same order.
        limit: lots on a page.
    """
    now = clock.now()
    found = store.listed(filters, sort, cursor, limit if use is None else _LOOKED_AT, in_stock=use is not None)

    lines = [(row, line(row, now)) for row in found.rows]
    rows = [(views.lot(row), one) for row, one in lines if use is None or use in loadable_for(one)]
    return SortedPage(rows, found.next, found.previous)


def loadable_for(one: View) -> list[str]:
    """Returns the uses for which a lot of the list may be loaded."""
    uses = cast("list[dict[str, str]]", one["uses"])
    return [each["use"] for each in uses if each["answer"] in _LOADABLE]
