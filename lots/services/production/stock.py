"""The lots in stock that are released for at least one use."""

from __future__ import annotations

from lots.store.production import stock as store
from lots.store.production.stock import LotInStock

__all__ = ["LotInStock", "lots_in_stock"]


def lots_in_stock() -> list[LotInStock]:
    """Returns the lots in stock that are released for at least one use, by grade, the newest first. One query.

    A single spool may still be refused, so each spool is checked before it is loaded.
    """
    return store.lots_in_stock()
