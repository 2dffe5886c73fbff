"""Row counts for /metrics."""

from __future__ import annotations

from peewee import SQL, fn

from lots.store.engine.database import db
from lots.store.tables.decisions import Decision
from lots.store.tables.models import Lot


def lots_by_standing() -> dict[str, int]:
    """How many lots stand where; a standing that no lot has is left out. One query on an index."""
    # Rows, not their numbers: those do not stand in the index, and PostgreSQL would read the whole table for them.
    counted = Lot.select(Lot.standing, fn.COUNT(SQL("*"))).group_by(Lot.standing)
    rows: list[tuple[str, int]] = db.execute(counted).fetchall()
    return dict(rows)


def newest_decision() -> int:
    """The number of the newest decision, 0 before the first. One query, answered from the end of an index."""
    return int(Decision.select(fn.MAX(Decision.id)).scalar() or 0)
