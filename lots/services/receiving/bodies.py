"""What people say of deliveries, as requests bring it once the API has checked its types."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Required, TypedDict


class NewSpool(TypedDict, total=False):
    """A spool that came; one without a code gets one, one without a mass has that of all."""

    code: str
    net_mass_g: float


class NewSpools(TypedDict, total=False):
    """The spools of a delivery: each by itself, or how many are alike."""

    spools: Sequence[NewSpool]
    spool_count: int
    net_mass_g: float | None


class Price(TypedDict, total=False):
    """What a delivery cost."""

    cost: float | None
    currency: str | None


class Confirmations(TypedDict, total=False):
    """What the sender says is right although it looks like a slip."""

    confirm_new_lot: bool
    confirm_spool_count: bool


class NewDelivery(NewSpools, Price, Confirmations, total=False):
    """A delivery to be logged."""

    supplier_id: int
    supplier_code: str
    grade_id: int
    grade_code: str
    supplier_lot: Required[str]
    order_ref: str
    received_at: Required[datetime]
    ordered_at: datetime
    due_at: datetime
    resubmission_of: int
    note: str


class SpoolMass(TypedDict):
    """What is on a spool after all."""

    code: str
    net_mass_g: float


class SpoolsChange(TypedDict, total=False):
    """What was logged wrongly of the spools of a delivery."""

    spool_count: int
    withdraw: Sequence[str]
    add: Sequence[NewSpool]
    net_mass_g: float
    spools: Sequence[SpoolMass]


class DeliveryChange(SpoolsChange, Price, Confirmations, total=False):
    """What was logged wrongly of a delivery; None empties a field."""

    reason: str
    supplier_id: int
    supplier_code: str
    grade_id: int
    grade_code: str
    supplier_lot: str
    order_ref: str | None
    received_at: datetime
    ordered_at: datetime | None
    due_at: datetime | None
    note: str | None


class NewSubstitute(TypedDict):
    """Which drawn spool cannot be measured, which is measured in its place, and why."""

    drawn: str
    substitute: str
    reason: str
