"""Dryings of spools. Rows are only added."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from peewee import fn

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Spool
from lots.store.tables.spools import Drying


def add(spool: Spool, values: Mapping[str, object], by: str, now: datetime) -> Drying:
    """Stores a drying of a spool."""
    return Drying.create(spool=spool, **values, recorded_by=by, recorded_at=now)


def of_spool(spool: Spool, cursor: str | None, limit: int) -> Page[Drying]:
    """Returns a page of a spool's dryings, oldest first."""
    return page(Drying.select().where(Drying.spool == spool), Drying.id, cursor, limit)


def hottest_c(spool_id: int) -> float | None:
    """Returns the highest drying temperature of a spool, °C, or None without a recorded drying. One query."""
    found: float | None = Drying.select(fn.MAX(Drying.temperature_c)).where(Drying.spool == spool_id).scalar()
    return found
