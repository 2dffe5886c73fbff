"""Tables of deliveries, their corrections and their certificates."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from peewee import BooleanField, CharField, Check, DoubleField, ForeignKeyField, TextField

from lots.domain.receiving.severity import State
from lots.store.engine.column_types import Instant, Json
from lots.store.tables.lots import Lot
from lots.store.tables.row import Row


class KeptSample(TypedDict):
    """The first sample of a delivery. The last four fields exist only under a sampling plan."""

    size: int
    spool_codes: list[str]
    seed: int
    rule: str
    says: str
    accept: NotRequired[int]
    reject: NotRequired[int]
    code_letter: NotRequired[str]
    severity: NotRequired[State]


class Delivery(Row):
    """A receipt against an order, as logged. `store/receiving/deliveries.current` returns its corrected values."""

    lot = ForeignKeyField(Lot, backref="deliveries")
    lot_id: int
    order_ref = CharField(120, null=True)
    received_at = Instant()
    due_at = Instant(null=True)
    cost = DoubleField(null=True, constraints=[Check("cost >= 0")])
    currency = CharField(3, null=True)
    sample = Json[KeptSample]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
    # The corrected time of receipt and the other corrected values. Both follow from the corrections (`store/receiving/deliveries.py`).
    came_at = Instant(index=True)
    corrected = Json[dict[str, object] | None](null=True)
    ordered_at = Instant(null=True)


class DeliveryCorrection(Row):
    """A correction of a delivery. `changes` holds field -> [old, new]. The row of the delivery does not change."""

    delivery = ForeignKeyField(Delivery, backref="corrections")
    delivery_id: int
    changes = Json[dict[str, list[object]]]()
    closes = BooleanField(default=False)
    reason = TextField()
    recorded_at = Instant()
    recorded_by = CharField(120)


class CertifiedValue(TypedDict):
    """A certified value of one measure, in the unit of the measure."""

    measure: str
    value: float
    standard_uncertainty: NotRequired[float | None]


class Certificate(Row):
    """A supplier's certificate of a delivery. Its values are not evidence for the lot."""

    delivery = ForeignKeyField(Delivery, backref="certificates")
    delivery_id: int
    reference = CharField(120, null=True)
    issued_at = Instant(null=True)
    values = Json[list[CertifiedValue]]()
    note = TextField(null=True)
    recorded_at = Instant()
    recorded_by = CharField(120)
