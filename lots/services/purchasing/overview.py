"""Purchasing at a glance: where to act this week, the suppliers of a grade side by side, and the next lot of each, from one load of lots."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from lots.domain.drift.lot_series import NO_LOTS, LotSeries
from lots.services import clock
from lots.services.lookups import found
from lots.services.purchasing import supplies
from lots.services.purchasing.comparison import Question, compared
from lots.services.purchasing.forecast import FORETOLD, Asked, next_lot, shade_of
from lots.services.purchasing.supplies import Charted
from lots.services.purchasing.week import BACK, pairs_of, to_act_on
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.tables.models import Grade, Supplier

# Moments are kept to this.
_TICK = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Overview:
    """What purchasing sees first, each part as its own service answers it: the week's list, suppliers compared, forecasts by supplier."""

    week: View
    compared: View
    forecasts: Mapping[int, View]


def overview(grade_id: int | None) -> Overview:
    """Returns the week's list, the suppliers of a grade compared, and their next lots; without a grade, of all grades and no next lots.

    Lots are read and analysed once. Ten queries at most, and one more where instruments differ.

    Raises:
        NotFound: no such grade.
    """
    now = clock.now()
    grade = None if grade_id is None else found("grade", grade_id)
    recent, overdue = lot_series.lots_of(since=now - BACK), store.overdue_actions(now)
    before = lot_series.lots_of(grade_id=grade_id, until=now - BACK - _TICK)
    asked = before + (
        recent if grade_id is None else recent.by([row.grade_id for row in recent.rows]).get(grade_id, NO_LOTS)
    )
    both = before + recent
    suppliers, grades = supplies.named(both, pairs_of(overdue))
    told = supplies.charted(both, grades if grade is None else {**grades, grade.id: grade})
    answer = compared(Question(grade_id), asked, suppliers, grades, told if grade else None)
    foretold = _next_lots(grade, asked, suppliers, told) if grade else {}
    return Overview(to_act_on(now, recent, overdue, suppliers, told), answer, foretold)


def _next_lots(grade: Grade, asked: LotSeries, suppliers: Mapping[int, Supplier], told: Charted) -> dict[int, View]:
    shade, limits = shade_of(grade), told.revisions.get(grade.id)
    found_ = {}
    for number, mine in asked.by([row.supplier_id for row in asked.rows]).items():
        parts = {one.measure: one.part for one in told.follow((number, grade.id), mine) if one.measure in FORETOLD}
        found_[number] = next_lot(Asked(suppliers[number], grade, limits, shade), mine.originals(), parts)
    return found_


def first_grade() -> int | None:
    """Returns the grade to begin with: the first with lots of two suppliers, else the first with any; None while there is no lot. One query."""
    delivered = store.suppliers_of_grades()
    return next((grade for least in (2, 1) for grade, n in delivered.items() if n >= least), None)
