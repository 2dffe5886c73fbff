"""What stands on labels: the spools of a delivery with their lot, supplier and grade."""

from __future__ import annotations

from typing import Any

from lots.store.models import Delivery, Grade, Lot, Spool, Supplier


def delivery(number: int) -> Any:
    """A delivery with lot, supplier and grade, or None. One query."""
    query = Delivery.select(Delivery, Lot, Supplier, Grade).join(Lot).join(Supplier).switch(Lot).join(Grade)
    return query.where(Delivery.id == number).first()


def spools_of(delivery: Delivery) -> list[Any]:
    """Spools that came with a delivery, in the order they were logged; none that was wound in the shop later. One query."""
    came = (Spool.delivery == delivery) & ~Spool.spliced
    return list(Spool.select().where(came).order_by(Spool.id))
