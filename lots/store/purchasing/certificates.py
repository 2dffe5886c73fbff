"""Certificates of suppliers. Rows are only added. The assessment of lots does not use them."""

from __future__ import annotations

from datetime import datetime
from typing import TypedDict

from lots.store.tables.deliveries import Certificate, CertifiedValue, Delivery
from lots.store.tables.lots import Lot
from lots.store.tables.models import LimitsRevision, ShadeRevision


class Stated(TypedDict):
    """The columns of a new certificate."""

    reference: str | None
    issued_at: datetime | None
    values: list[CertifiedValue]
    note: str | None


def add(delivery: Delivery, stated: Stated, by: str, now: datetime) -> int:
    """Stores a certificate of a delivery and returns its id."""
    return int(Certificate.create(delivery=delivery, **stated, recorded_by=by, recorded_at=now).id)


def of_delivery(number: int) -> list[Certificate]:
    """Returns all certificates of a delivery, newest first. One query on an index."""
    query = Certificate.select().where(Certificate.delivery == number)
    return list(query.order_by(Certificate.id.desc()))


def of_lots(supplier_id: int, grade_id: int, since: datetime | None, until: datetime | None) -> list[Certificate]:
    """Returns all certificates of lots received in a period, with their deliveries, newest first. One query on indexes."""
    query = (
        Certificate.select(Certificate, Delivery)
        .join(Delivery)
        .join(Lot)
        .where((Lot.supplier == supplier_id) & (Lot.grade == grade_id))
    )
    if since is not None:
        query = query.where(Lot.received_at >= since)
    if until is not None:
        query = query.where(Lot.received_at <= until)
    return list(query.order_by(Certificate.id.desc()))


def limits_of(grade_id: int) -> dict[int, LimitsRevision]:
    """Returns the limits revisions of a grade by revision number. One query."""
    return {row.revision: row for row in LimitsRevision.select().where(LimitsRevision.grade == grade_id)}


def references_of(shade_id: int) -> dict[int, ShadeRevision]:
    """Returns the revisions of a shade by revision number. One query."""
    return {row.revision: row for row in ShadeRevision.select().where(ShadeRevision.shade == shade_id)}
