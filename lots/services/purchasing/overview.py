"""The comparison of suppliers of a grade and the forecast of each, from the same query of lots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lots.domain.drift.lot_series import LotSeries
from lots.domain.purchasing.by_use import in_order
from lots.services.lookups import found
from lots.services.purchasing import supplies
from lots.services.purchasing.comparison import Question, between, compared
from lots.services.purchasing.forecast import FORETOLD, Asked, next_lot, shade_of
from lots.services.purchasing.supplies import Charted
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.tables.models import Grade, Supplier


@dataclass(frozen=True, slots=True)
class Overview:
    """The comparison of suppliers, and the forecasts by supplier.

    Args:
        use: the use that they are for; None for at least one.
        uses: the uses in the limits of the grade, in order; over all grades, the uses that lots were inspected for.
    """

    use: str | None
    uses: Sequence[str]
    compared: View
    forecasts: Mapping[int, View]


def overview(asked: Question, *, first_use: bool = False) -> Overview:
    """Returns the comparison of suppliers of a grade with their forecasts; without a grade, the comparison over all grades only.

    Args:
        asked: the lots and the use. Forecasts always use all lots of the grade.
        first_use: use the first use of the grade instead of the one in `asked`.

    Lots are read and analysed once. At most thirteen queries, and one more if instruments differ.

    Raises:
        NotFound: no such grade.
    """
    grade = None if asked.grade_id is None else found("grade", asked.grade_id)
    if grade is None:
        lots = lot_series.lots_of(since=asked.since, until=asked.until)
        uses = in_order({use for row in lots.rows for use in row.uses})
        asked = replace(asked, use=uses[0] if first_use and uses else asked.use)
        return Overview(asked.use, uses, compared(asked, lots, lots, *supplies.named(lots), None), {})
    whole = lot_series.lots_of(grade_id=grade.id)
    suppliers, grades = supplies.named(whole)
    told = supplies.charted(whole, {grade.id: grade}, grade.id)
    agreed = told.agreed(grade.id)
    uses = in_order(agreed.required()) if agreed else []
    asked = replace(asked, use=uses[0] if first_use and uses else asked.use)
    history = between(whole, None, asked.until)
    answer = compared(asked, between(history, asked.since, None), history, suppliers, grades, told)
    return Overview(asked.use, uses, answer, _next_lots(grade, asked.use, whole, suppliers, told))


def _next_lots(
    grade: Grade, use: str | None, lots: LotSeries, suppliers: Mapping[int, Supplier], told: Charted
) -> dict[int, View]:
    shade, limits = shade_of(grade), told.revisions.get(grade.id)
    found_ = {}
    for number, mine in lots.by([row.supplier_id for row in lots.rows]).items():
        parts = {one.measure: one.part for one in told.follow((number, grade.id), mine) if one.measure in FORETOLD}
        found_[number] = next_lot(Asked(suppliers[number], grade, limits, shade, use), mine.originals(), parts)
    return found_


def first_grade() -> int | None:
    """Returns the default grade: the first with lots of two suppliers, else the first with a lot; None without lots. One query."""
    delivered = store.suppliers_of_grades()
    return next((grade for least in (2, 1) for grade, n in delivered.items() if n >= least), None)
