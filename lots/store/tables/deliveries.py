"""Tables of deliveries, their corrections and their samples."""

from __future__ import annotations

from typing import Any

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, TextField

from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row


class Delivery(Row):
    """One receipt against an order, as it was logged. Its present values are `store/corrections.current`."""

    lot = ForeignKeyField(Lot, backref="deliveries")
    lot_id: int
    order_ref = CharField(120, null=True)
    received_at = Instant()
    due_at = Instant(null=True)
    cost = DoubleField(null=True, constraints=[Check("cost >= 0")])
    currency = CharField(3, null=True)
    sample = Json[Any]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # When it came, as corrected; and what else was corrected: both follow from the corrections (`store/corrections.py`).
    came_at = Instant(index=True)
    corrected = Json[Any](null=True)


class DeliveryCorrection(Row):
    """What was logged wrongly of a delivery, put right: `changes` holds field -> [was, is]. The delivery's own row stays as it was."""

    delivery = ForeignKeyField(Delivery, backref="corrections")
    delivery_id: int
    changes = Json[Any]()
    closes = BooleanField(default=False)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)
