"""Row counts for /metrics."""

from __future__ import annotations

from peewee import SQL, fn

from lots.store.engine.database import db
from lots.store.tables.decisions import Decision
from lots.store.tables.models import Lot


def lots_by_standing() -> dict[str, int]:
    """Returns the number of lots per status. A status without lots is left out. One query on an index."""
    # COUNT(*) needs only the index. COUNT(id) would make PostgreSQL read the whole table.
    counted = Lot.select(Lot.standing, fn.COUNT(SQL("*"))).group_by(Lot.standing)
    rows: list[tuple[str, int]] = db.execute(counted).fetchall()
    return dict(rows)


def newest_decision() -> int:
    """Returns the id of the newest decision, 0 without decisions. One query on the end of an index."""
    return int(Decision.select(fn.MAX(Decision.id)).scalar() or 0)
