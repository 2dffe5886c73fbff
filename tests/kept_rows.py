"""Rows common to several tests: made once per process, then copied into each empty database."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from copy import deepcopy
from typing import TypeVar

from lots.store.engine.database import connect, db, disconnect, locks_rows
from lots.store.tables.models import Supplier
from tests.shop import Shop

Made = TypeVar("Made")
# By name: the rows with the tokens, and the returned value.
_KEPT: dict[str, tuple[sqlite3.Connection, dict[str, str], object]] = {}


def made_once(shop: Shop, name: str, make: Callable[[], Made]) -> Made:
    """Returns what `make` returns, with its rows in the shop: made in the first empty SQLite database, copied into the next."""
    closed = db.is_closed()
    connect()
    try:
        if locks_rows() or Supplier.select().exists():
            return make()
        if name in _KEPT and _KEPT[name][1] == shop.tokens:
            rows, _, made = _KEPT[name]
            rows.backup(db.connection())
            return deepcopy(made)  # type: ignore[return-value]
        answer = make()
        connect()
        rows = sqlite3.connect(":memory:")
        db.connection().backup(rows)
        _KEPT[name] = rows, dict(shop.tokens), deepcopy(answer)
        return answer
    finally:
        if closed:
            disconnect()
