"""Bodies of requests about deliveries, with types checked by the API."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Required, TypedDict


class NewSpool(TypedDict, total=False):
    """A spool of a delivery. Without a code it is given one, without a mass it has the common mass."""

    code: str
    net_mass_g: float


class NewSpools(TypedDict, total=False):
    """The spools of a delivery, as a list or as a number of equal spools."""

    spools: Sequence[NewSpool]
    spool_count: int
    net_mass_g: float | None


class Price(TypedDict, total=False):
    """The cost of a delivery."""

    cost: float | None
    currency: str | None


class Confirmations(TypedDict, total=False):
    """Confirmations of values that looked like mistakes."""

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
    """The corrected net mass of a spool, g."""

    code: str
    net_mass_g: float


class SpoolsChange(TypedDict, total=False):
    """Corrections of the spools of a delivery."""

    spool_count: int
    withdraw: Sequence[str]
    add: Sequence[NewSpool]
    net_mass_g: float
    spools: Sequence[SpoolMass]


class DeliveryChange(SpoolsChange, Price, Confirmations, total=False):
    """Corrections of a delivery. None empties a field."""

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
    """A substitute for a drawn spool that cannot be measured, and the reason."""

    drawn: str
    substitute: str
    reason: str
