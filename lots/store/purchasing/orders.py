"""Costs and numbers of readings of a supplier's newest lots."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple, Protocol, cast

from peewee import fn

from lots.store.engine.database import db
from lots.store.receiving import deliveries
from lots.store.receiving.deliveries import Current
from lots.store.tables.models import Delivery, Reading, Spool


class Paid(NamedTuple):
    """A corrected delivery with its lot and received net mass, g."""

    lot_id: int
    now: Current
    mass_g: float


class _Sum(Protocol):
    """The sum per delivery in `deliveries_of`."""

    mass_g: float


def deliveries_of(lot_ids: Collection[int]) -> list[Paid]:
    """Returns the open deliveries of lots in order of receipt. One query on indexes."""
    query = (
        Delivery.select(Delivery, fn.SUM(Spool.net_mass_g).alias("mass_g"))
        .join(Spool)
        .where(Delivery.lot.in_(sorted(lot_ids)) & deliveries.came())
        .group_by(Delivery.id)
        .order_by(Delivery.came_at, Delivery.id)
    )
    found = [Paid(row.lot_id, deliveries.current(row), cast("_Sum", row).mass_g) for row in query]
    return [paid for paid in found if paid.now.closed is None]


def readings_of(lot_ids: Collection[int]) -> dict[int, int]:
    """Returns the number of readings by lot, including voided and screening ones. One query on an index."""
    query = Reading.select(Reading.lot, fn.COUNT(Reading.id)).where(Reading.lot.in_(sorted(lot_ids)))
    found: dict[int, int] = dict(db.execute(query.group_by(Reading.lot)))
    return found
