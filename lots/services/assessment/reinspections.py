"""Re-inspections of lots at the end of their shelf life, by quality."""

from __future__ import annotations

from datetime import datetime
from typing import TypedDict

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.assessment.reinspection import latest_use_by, measurable
from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.characteristics.registry import said
from lots.domain.words import moment
from lots.services import clock
from lots.services.assessment.counting import OnRecord
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.assessment.lot_assessment import inspected_again
from lots.services.errors import Conflict, Fault, Invalid
from lots.services.lookups import lot_of
from lots.services.views import View, recorded
from lots.store.assessment import lots, reinspections
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.decisions import Reinspection
from lots.store.tables.models import Lot


class Requested(TypedDict):
    """A request for a re-inspection: the characteristics to measure again, the new use-by date, and the reason."""

    measure: list[str]
    use_by: datetime
    reason: str


def request(lot_id: int, values: Requested, by: str) -> View:
    """Records a re-inspection of a lot. Its use-by date is valid once all its characteristics pass by new readings.

    Raises:
        NotFound: no such lot.
        Conflict: its grade sets no shelf life, or the lot was returned or scrapped.
        Invalid: a characteristic that its limits do not require, or a date in the past or too far ahead.
    """
    now = clock.now()
    lot_of(lot_id)
    with transaction():
        lot = lots.lock([lot_id])[lot_id]
        days: int | None = lot.grade.shelf_life_days
        if days is None:
            raise Conflict(f"Grade {lot.grade.code} sets no shelf life. Its lots need no re-inspection.")
        if lot.by_hand in ENDINGS:
            raise Conflict(f"Lot {lot.supplier_lot} is {lot.standing}. There is nothing to inspect again.")
        if faults := [*_measure_faults(lot, values["measure"]), *_date_faults(days, values["use_by"], now)]:
            raise Invalid(*faults)
        row = reinspections.add(lot, values, by, now)
        judged, _ = judge_lot(lot, by, now, what="lot inspected again", wrote={"reinspection": [row.id]})
        found, lacking = inspected_again(OnRecord(lot))[-1]
        return {**_view(found, lacking), "lot": after(lot, judged)}


def _measure_faults(lot: Lot, measure: list[str]) -> list[Fault]:
    known = measurable(limits_from(lot.limits_revision.body) if lot.limits_revision else None)
    hint = f"Choose from {', '.join(known)}." if known else "Set limits for its grade first."
    return [
        Fault(f"/measure/{index}", f"The limits of lot {lot.supplier_lot} require no {said(name)} for any use.", hint)
        for index, name in enumerate(measure)
        if name not in known
    ]


def _date_faults(shelf_life_days: int, use_by: datetime, now: datetime) -> list[Fault]:
    latest = latest_use_by(now, shelf_life_days)
    hint = f"State a time in the future, at most {moment(latest)} (one more shelf life)."
    if use_by <= now:
        return [Fault("/use_by", f"{moment(use_by)} is in the past.", hint)]
    if use_by > latest:
        return [Fault("/use_by", f"{moment(use_by)} is more than {shelf_life_days} days ahead.", hint)]
    return []


def listed(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a lot's re-inspections, each with the work left, in the order they were recorded."""
    lot = lot_of(lot_id)
    lacking = {row.id: left for row, left in inspected_again(OnRecord(lot))}
    return reinspections.listed(lot, cursor, limit).map(lambda row: _view(row, lacking.get(row.id, ())))


def of_record(record: OnRecord) -> list[View]:
    """Returns every re-inspection of a lot. No query where the record was assessed."""
    return [_view(row, left) for row, left in inspected_again(record)]


def _view(row: Reinspection, lacking: tuple[str, ...]) -> View:
    return {
        "id": row.id,
        "lot_id": row.lot_id,
        "measure": row.measure,
        "use_by": row.use_by,
        "reason": row.reason,
        **recorded(row),
        "complete": not lacking,
        "to_measure": list(lacking),
    }
