"""The store's own troubles, named here so that the API need not know the store."""

from __future__ import annotations

from lots.store.database import Clash, Full, ReadOnly, Unavailable
from lots.store.paging import BadCursor

__all__ = ["BadCursor", "Clash", "Full", "ReadOnly", "Unavailable"]
