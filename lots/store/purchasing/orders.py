"""What was paid and measured of a supplier's newest lots."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple, Protocol, cast

from peewee import fn

from lots.store.engine.database import db
from lots.store.receiving import deliveries
from lots.store.receiving.deliveries import Current
from lots.store.tables.models import Delivery, Reading, Spool


class Paid(NamedTuple):
    """A delivery as corrected, the lot that it belongs to, and the net mass that came in it, g."""

    lot_id: int
    now: Current
    mass_g: float


class _Sum(Protocol):
    """What `deliveries_of` adds up beside a delivery."""

    mass_g: float


def deliveries_of(lot_ids: Collection[int]) -> list[Paid]:
    """Open deliveries of some lots, in the order they came. One query on indexes."""
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
    """How many readings were taken of some lots, those that were voided or do not count among them. One query on an index."""
    query = Reading.select(Reading.lot, fn.COUNT(Reading.id)).where(Reading.lot.in_(sorted(lot_ids)))
    found: dict[int, int] = dict(db.execute(query.group_by(Reading.lot)))
    return found
