"""What may be loaded: lots that are released for some use, with what of them is on the shelf."""

from __future__ import annotations

from lots.store.production import stock as store
from lots.store.production.stock import LotInStock

__all__ = ["LotInStock", "lots_in_stock"]


def lots_in_stock() -> list[LotInStock]:
    """Returns the lots released for some use with filament on the shelf, by grade, the newest first. One query.

    A single spool may be refused all the same, so each is checked before it is loaded.
    """
    return store.lots_in_stock()
