"""Lots in the order they came, with the figures kept beside them: what drift and comparison are made from. No query here reads readings."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from peewee import JOIN, fn

from lots.store.assessment import lots
from lots.store.engine.paging import Page, page
from lots.store.receiving import deliveries
from lots.store.tables.decisions import CorrectiveAction
from lots.store.tables.models import Baseline, Delivery, Grade, LimitsRevision, Lot, ShadeRevision, Spool, Supplier


def _lots() -> Any:
    return (
        Lot.select(
            Lot.id,
            Lot.supplier.alias("supplier_id"),
            Lot.grade.alias("grade_id"),
            Lot.supplier_lot,
            Lot.received_at,
            Lot.standing,
            Lot.figures,
            Lot.first_inspection,
            Lot.resubmission_of.alias("resubmission_of_id"),
            Lot.limits_revision.alias("limits_revision_id"),
            ShadeRevision.revision.alias("reference"),
            LimitsRevision.revision.alias("limits"),
        )
        .join(ShadeRevision, JOIN.LEFT_OUTER)
        .switch(Lot)
        .join(LimitsRevision, JOIN.LEFT_OUTER)
    )


def lots_of(
    *,
    supplier_id: int | None = None,
    grade_id: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> list[Any]:
    """Lots of a supplier, a grade or both, received between two moments, oldest first. One query on an index; rows are light objects.

    A lot whose deliveries are all closed is in no series.
    """
    query = _lots().where(lots.still_open())
    for field, value in ((Lot.supplier, supplier_id), (Lot.grade, grade_id)):
        if value is not None:
            query = query.where(field == value)
    if since is not None:
        query = query.where(Lot.received_at >= since)
    if until is not None:
        query = query.where(Lot.received_at <= until)
    return list(query.order_by(Lot.received_at, Lot.id).namedtuples())


def purchases(grade_id: int | None, since: datetime | None, until: datetime | None) -> Iterator[tuple[Any, ...]]:
    """(lot, supplier, received, due, cost, currency, sample, mass in g, spools) of each delivery, of a grade where given, oldest first. One query."""
    query = (
        Delivery.select(
            Delivery,
            Lot.supplier.alias("supplier_id"),
            fn.SUM(Spool.net_mass_g).alias("mass_g"),
            fn.COUNT(Spool.id).alias("spools"),
        )
        .join(Lot)
        .switch(Delivery)
        .join(Spool)
        # A spool wound in the shop was not bought, nor was one that never came. Of a closed delivery none is left.
        .where(deliveries.came())
        .group_by(Delivery.id, Lot.supplier)
        .order_by(Delivery.came_at, Delivery.id)
    )
    if grade_id is not None:
        query = query.where(Lot.grade == grade_id)
    if since is not None:
        query = query.where(Lot.received_at >= since)
    if until is not None:
        query = query.where(Lot.received_at <= until)
    for row in query.objects():
        now = deliveries.current(row)
        yield (
            *(row.lot_id, row.supplier_id, now.received_at, now.due_at, now.cost, now.currency, now.sample),
            *(row.mass_g, row.spools),
        )


def names(supplier_ids: list[int], grade_ids: list[int]) -> tuple[dict[int, Any], dict[int, Any]]:
    """Suppliers and grades by number. Two queries."""
    suppliers = {row.id: row for row in Supplier.select().where(Supplier.id.in_(supplier_ids))}
    grades = {row.id: row for row in Grade.select().where(Grade.id.in_(grade_ids))}
    return suppliers, grades


def newest_limits(grade_ids: list[int]) -> dict[int, Any]:
    """The newest limits revision of each of these grades that has one. One query."""
    newest = (
        LimitsRevision.select(fn.MAX(LimitsRevision.id))
        .where(LimitsRevision.grade.in_(grade_ids))
        .group_by(LimitsRevision.grade)
    )
    return {row.grade_id: row for row in LimitsRevision.select().where(LimitsRevision.id.in_(newest))}


def newest_baselines(*, supplier_id: int | None = None, grade_id: int | None = None) -> dict[tuple[int, int], Any]:
    """The newest baseline of each supplier and grade, of one supplier or grade where given. One query."""
    newest = Baseline.select(fn.MAX(Baseline.id)).group_by(Baseline.supplier, Baseline.grade)
    for field, value in ((Baseline.supplier, supplier_id), (Baseline.grade, grade_id)):
        if value is not None:
            newest = newest.where(field == value)
    return {(row.supplier_id, row.grade_id): row for row in Baseline.select().where(Baseline.id.in_(newest))}


def add_baseline(supplier_id: int, grade_id: int, values: dict[str, Any], by: str, now: datetime) -> Any:
    """Adds the next baseline of a supplier's grade. Two at once cannot take one number: the index refuses the second."""
    mine = (Baseline.supplier == supplier_id) & (Baseline.grade == grade_id)
    last = Baseline.select(fn.MAX(Baseline.revision)).where(mine).scalar() or 0
    return Baseline.create(
        supplier=supplier_id, grade=grade_id, revision=last + 1, **values, recorded_by=by, recorded_at=now
    )


def baselines(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """A page of baselines in the order they were chosen."""
    query = Baseline.select()
    for name, value in filters.items():
        query = query.where(getattr(Baseline, name.removesuffix("_id")) == value)
    return page(query, Baseline.id, cursor, limit)


def overdue_actions(now: datetime) -> list[Any]:
    """Corrective actions that are open, unanswered and past their day, with their lots, oldest first. One query."""
    query = CorrectiveAction.select(CorrectiveAction, Lot).join(Lot)
    late = (
        CorrectiveAction.closed_at.is_null() & CorrectiveAction.answered_at.is_null() & (CorrectiveAction.due_at < now)
    )
    return list(query.where(late).order_by(CorrectiveAction.due_at, CorrectiveAction.id))
