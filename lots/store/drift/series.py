"""The context of drift series: names, limits, baselines and overdue corrective actions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from peewee import JOIN, SQL, fn

from lots.store.assessment import lots
from lots.store.engine.database import db
from lots.store.engine.paging import Page, page
from lots.store.tables.decisions import CorrectiveAction
from lots.store.tables.models import Baseline, Grade, LimitsRevision, Lot, Supplier


def names(supplier_ids: Iterable[int], grade_ids: Iterable[int]) -> tuple[dict[int, Supplier], dict[int, Grade]]:
    """Returns suppliers and grades by id. Two queries."""
    suppliers = {row.id: row for row in Supplier.select().where(Supplier.id.in_(sorted(set(supplier_ids))))}
    grades = {row.id: row for row in Grade.select().where(Grade.id.in_(sorted(set(grade_ids))))}
    return suppliers, grades


def suppliers_of_grades() -> dict[int, int]:
    """Returns the number of suppliers with open lots by grade, in the order of setup of grades. One query."""
    # EXISTS takes one index lookup per pair, independent of the number of lots.
    any_lot = Lot.select(SQL("1")).where((Lot.supplier == Supplier.id) & (Lot.grade == Grade.id) & lots.still_open())
    query = (
        Grade.select(Grade.id, fn.COUNT(Supplier.id))
        .join(Supplier, JOIN.CROSS)
        .where(fn.EXISTS(any_lot))
        .group_by(Grade.id)
        .order_by(Grade.id)
    )
    found: dict[int, int] = dict(db.execute(query))
    return found


def newest_limits(grade_ids: Iterable[int]) -> dict[int, LimitsRevision]:
    """Returns the newest limits revision by grade. Grades without limits are left out. One query."""
    newest = (
        LimitsRevision.select(fn.MAX(LimitsRevision.id))
        .where(LimitsRevision.grade.in_(sorted(set(grade_ids))))
        .group_by(LimitsRevision.grade)
    )
    return {row.grade_id: row for row in LimitsRevision.select().where(LimitsRevision.id.in_(newest))}


def newest_baselines(*, supplier_id: int | None = None, grade_id: int | None = None) -> dict[tuple[int, int], Baseline]:
    """Returns the newest baseline by supplier and grade, of one supplier or grade when given. One query."""
    newest = Baseline.select(fn.MAX(Baseline.id)).group_by(Baseline.supplier, Baseline.grade)
    for field, value in ((Baseline.supplier, supplier_id), (Baseline.grade, grade_id)):
        if value is not None:
            newest = newest.where(field == value)
    return {(row.supplier_id, row.grade_id): row for row in Baseline.select().where(Baseline.id.in_(newest))}


def add_baseline(supplier_id: int, grade_id: int, values: Mapping[str, object], by: str, now: datetime) -> Baseline:
    """Stores the next baseline revision of a supplier's grade. Its unique index rejects a concurrent duplicate."""
    mine = (Baseline.supplier == supplier_id) & (Baseline.grade == grade_id)
    last = Baseline.select(fn.MAX(Baseline.revision)).where(mine).scalar() or 0
    return Baseline.create(
        supplier=supplier_id, grade=grade_id, revision=last + 1, **values, recorded_by=by, recorded_at=now
    )


def baselines(filters: Mapping[str, int], cursor: str | None, limit: int) -> Page[Baseline]:
    """Returns a page of baselines, oldest first."""
    query = Baseline.select()
    for name, value in filters.items():
        query = query.where(getattr(Baseline, name.removesuffix("_id")) == value)
    return page(query, Baseline.id, cursor, limit)


def overdue_actions(now: datetime) -> list[CorrectiveAction]:
    """Returns open, unanswered and overdue corrective actions with their lots, earliest due date first. One query."""
    query = CorrectiveAction.select(CorrectiveAction, Lot).join(Lot)
    late = (
        CorrectiveAction.closed_at.is_null() & CorrectiveAction.answered_at.is_null() & (CorrectiveAction.due_at < now)
    )
    return list(query.where(late).order_by(CorrectiveAction.due_at, CorrectiveAction.id))
