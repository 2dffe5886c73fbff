"""Purchasing: comparison of the suppliers of a grade, each figure with its interval and its basis."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import reduce

from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.drift.lot_series import NO_LOTS, LotSeries
from lots.domain.purchasing import supplier_comparison
from lots.domain.purchasing.by_use import AT_LEAST_ONE, EVERY, ask_for_general, for_words, in_order
from lots.domain.purchasing.supplier_comparison import (
    CRITERIA,
    Acceptance,
    Comparison,
    LotResult,
    Rank,
    acceptance_by_use,
    criteria_for,
)
from lots.domain.purchasing.supplier_groups import Order, in_words
from lots.domain.statistics.proportions import Interval
from lots.domain.words import counted
from lots.services.drift import drift, series
from lots.services.lookups import found
from lots.services.purchasing import (
    delivery_costs,
    difference_costs,
    headline,
    order_of_suppliers,
    supplies,
    within_a_grade,
)
from lots.services.purchasing.delivery_costs import Bought, Paid
from lots.services.purchasing.supplies import Charted
from lots.services.setup import shop
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift.lot_series import Purchases
from lots.store.tables.models import Grade, Supplier

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Question:
    """The scope of a comparison: grade (None for all), time of receipt, and use (None for at least one)."""

    grade_id: int | None
    since: datetime | None = None
    until: datetime | None = None
    use: str | None = None


def compare(grade_id: int | None, since: datetime | None, until: datetime | None, use: str | None = None) -> View:
    """Returns the comparison of the suppliers of a grade, or of all grades. At most twelve queries.

    Over all grades, it gives only acceptance, deliveries, and ranks from lots of the same grade.

    Args:
        grade_id: the grade; None for all grades.
        since, until: first and last time of receipt, inclusive; None for no limit.
        use: the use for acceptance and ranks; None for at least one use.

    Raises:
        NotFound: no such grade.
    """
    grade = None if grade_id is None else found("grade", grade_id)
    # Drift needs earlier lots too. Over all grades it is not computed.
    history = lot_series.lots_of(grade_id=grade_id, since=None if grade else since, until=until)
    lots = between(history, since, until)
    suppliers, grades = supplies.named(lots)
    told = supplies.charted(history, {grade.id: grade}, grade.id) if grade else None
    return compared(Question(grade_id, since, until, use), lots, history, suppliers, grades, told)


def between(lots: LotSeries, since: datetime | None, until: datetime | None) -> LotSeries:
    """Returns the lots received between two times, both inclusive."""
    if since is None and until is None:
        return lots
    kept = [
        (since is None or since <= row.received_at) and (until is None or row.received_at <= until) for row in lots.rows
    ]
    return lots.by(kept).get(True, NO_LOTS)


@dataclass(frozen=True, slots=True)
class _Supplier:
    """A supplier with its lots, its original lots (no resubmissions), their results and its deliveries."""

    name: str
    lots: LotSeries
    originals: LotSeries
    results: Sequence[LotResult]
    bought: Bought

    def about(self, use: str | None) -> list[LotResult]:
        """Returns the results of its lots for a use; None for at least one."""
        return [lot.about(use) for lot in self.results]


def compared(
    question: Question,
    lots: LotSeries,
    history: LotSeries,
    suppliers: Mapping[int, Supplier],
    grades: Mapping[int, Grade],
    told: Charted | None,
) -> View:
    """Returns the comparison of the suppliers of these lots. Five queries, one more if a delivery was corrected.

    Args:
        question: the scope.
        lots: of all suppliers, oldest first.
        history: these and earlier lots of the grade, for drift. A requested period does not restart the charts.
        suppliers, grades: of these lots, by number.
        told: their limits and baselines; None if several grades are compared.
    """
    purchases = lot_series.purchases(question.grade_id, question.since, question.until)
    compared_ = _suppliers(lots, suppliers, delivery_costs.by_supplier(purchases))
    grade = None if question.grade_id is None or told is None else told.grades[question.grade_id]
    followed = _followed({number: one.lots for number, one in compared_.items()}, told, grade)
    moving = _with_earlier(followed, history, question, told, grade)
    selected = drift.select(one for mine in moving.values() for one in mine)
    drifting = drift.listed(moving, selected)
    results = {number: one.about(question.use) for number, one in compared_.items()}
    words, what = criteria_for(question.use), _for(question.use)
    names = {number: row.name for number, row in suppliers.items() if number in compared_}
    pairs = supplier_comparison.compare(results, CONFIDENCE)
    ranks = {name: supplier_comparison.rank(name, pairs, names, _has_data(name, results), words) for name in CRITERIA}
    orders = order_of_suppliers.orders(pairs, names)
    agreed = told.agreed(grade.id) if told and grade else None
    uncovered = order_of_suppliers.uncovered(question.use, agreed, grade, lots)
    subject = headline.Subject(question.use, agreed, names, orders)
    lines, said = [], []
    for number in _best_first(orders["acceptance"], names):
        one, mine = compared_[number], {name: ranks[name][number] for name in CRITERIA}
        parts = followed.get(number, []), drifting.get(number, [])
        spread = within_a_grade.variances(parts[0], CONFIDENCE)
        of_grade = within_a_grade.figures(one.results, *parts, spread, told, grade, CONFIDENCE)
        supply = headline.Supply(supplier_comparison.acceptance(results[number]), *parts, spread)
        accepted = _accepted(one, question.use)
        line = {"supplier_id": number, **_line(one, grades, mine), **accepted.view, **of_grade}
        lines.append({**line, "headline": headline.headline(number, supply, subject)})
        said.append((one.name, ranks["acceptance"][number].place, accepted.says))
    return {
        "grade_id": grade and grade.id,
        "grade": grade and grade.code,
        "from": question.since,
        "to": question.until,
        "use": question.use,
        "confidence": CONFIDENCE,
        "criteria": words,
        "suppliers": lines,
        "order": order_of_suppliers.answered(orders, names, what, uncovered),
        "costs_of_difference": _costs(question, purchases, compared_, names),
        "comparisons": [order_of_suppliers.pair(one, names, question.use) for one in pairs],
        "drift": drift.counts(selected),
        "inference": _inference(pairs, [one.originals for one in compared_.values()]),
        "says": uncovered or _says(said, question, grade, _better_in_words(orders["acceptance"], names, what)),
    }


def _followed(
    lots: Mapping[int, LotSeries], told: Charted | None, grade: Grade | None
) -> dict[int, list[drift.Followed]]:
    """Returns the series of each supplier's lots of a grade; empty for several grades."""
    if told is None or grade is None:
        return {}
    return {number: told.follow((number, grade.id), mine) for number, mine in lots.items()}


def _with_earlier(
    followed: dict[int, list[drift.Followed]],
    history: LotSeries,
    question: Question,
    told: Charted | None,
    grade: Grade | None,
) -> dict[int, list[drift.Followed]]:
    """Returns the same series with earlier lots, if the period has a beginning."""
    if question.since is None or not followed:
        return followed
    each = history.by([row.supplier_id for row in history.rows])
    return _followed({number: each[number] for number in followed}, told, grade)


def _costs(
    question: Question, purchases: Sequence[Purchases], suppliers: Mapping[int, _Supplier], names: Mapping[int, str]
) -> View:
    bought = {number: one.bought for number, one in suppliers.items()}
    lots = {number: one.lots.rows for number, one in suppliers.items()}
    return difference_costs.costs(question.use, purchases, bought, lots, names, shop.details())


def _best_first(order: Order, names: Mapping[int, str]) -> list[int]:
    """Returns the suppliers by group and name, newcomers last."""
    level = {number: place for place, group in enumerate(order.groups) for number in group}
    return sorted(names, key=lambda number: (level.get(number, len(level)), names[number]))


def _better_in_words(order: Order, names: Mapping[int, str], what: str) -> str:
    """Returns the order in words; empty if no supplier is better than another."""
    return in_words(order, names, what) if order.better else ""


def _suppliers(
    lots: LotSeries, suppliers: Mapping[int, Supplier], bought: Mapping[int, Bought]
) -> dict[int, _Supplier]:
    """Returns each supplier of these lots, by number."""
    found_ = {}
    for number, mine in lots.by([row.supplier_id for row in lots.rows]).items():
        originals = mine.originals()
        delivered = bought.get(number, Bought())
        found_[number] = _Supplier(suppliers[number].name, mine, originals, _results(originals), delivered)
    return found_


def _results(lots: LotSeries) -> list[LotResult]:
    """Returns the result of each lot for the comparison of suppliers."""
    whole = "color.lot_delta_e"
    colors = dict(_with_all_measures(lots, (*VECTOR, whole)))
    strata: dict[tuple[int, int | None, int | None], str] = {}
    read: dict[int, str] = {}
    results = []
    for place, (row, alike) in enumerate(zip(lots.rows, lots.method_ids.tolist(), strict=True)):
        which = (row.grade_id, row.limits, row.reference)
        if which not in strata:
            strata[which] = f"grade {which[0]}, limits revision {which[1]}, reference revision {which[2]}"
        if place not in colors:
            results.append(LotResult(row.accepted, strata[which], uses=row.uses))
            continue
        if alike not in read:
            read[alike] = series.key_of(row, whole)
        *apart, delta_e = colors[place]
        results.append(LotResult(row.accepted, strata[which], read[alike], tuple(apart), delta_e, row.uses))
    return results


def _with_all_measures(lots: LotSeries, measures: Sequence[str]) -> Iterator[tuple[int, Sequence[float]]]:
    """Yields the index and the values of each lot that has all of these measures."""
    import numpy as np

    columns = [lots.columns[name] for name in measures if name in lots.columns]
    if len(columns) == len(measures):
        at = reduce(np.intersect1d, (column.at for column in columns))
        values = [column.figures[np.searchsorted(column.at, at), 0].tolist() for column in columns]
        yield from zip(at.tolist(), zip(*values, strict=True), strict=True)


def _has_data(criterion: str, results: Mapping[int, Sequence[LotResult]]) -> dict[int, bool]:
    if criterion == "acceptance":
        return {number: any(lot.accepted is not None for lot in lots) for number, lots in results.items()}
    return {number: any(lot.apart is not None for lot in lots) for number, lots in results.items()}


def _for(use: str | None) -> str:
    """Returns the use for acceptance, in words."""
    return AT_LEAST_ONE if use is None else for_words(use)


@dataclass(frozen=True, slots=True)
class _Accepted:
    """The acceptance of a supplier's lots at the first inspection: in words for the use, and in figures for all uses."""

    says: str
    view: View


def _accepted(one: _Supplier, use: str | None) -> _Accepted:
    seen, by_use = supplier_comparison.acceptance(one.results, CONFIDENCE), acceptance_by_use(one.results, CONFIDENCE)
    # Rejected lots of which every failure lies within its uncertainty, so nonconformity is not proved (ISO 14253-1).
    not_proved = [row.id for row in one.originals.rows if row.accepted is False and row.not_proved]
    says = _first_time(seen)
    if not_proved:
        rejected = counted(len(not_proved), "rejected lot is", "rejected lots are")
        says += f" {rejected} not proved to be nonconforming (ISO 14253-1)."
    none = supplier_comparison.acceptance([])
    paid = one.bought.by_use
    each = {
        name: _of_use(by_use.uses.get(name, none), paid.get(name, Paid()), for_words(name))
        for name in in_order((*by_use.uses, *paid))
    }
    view: View = {
        "lots": seen.lots,
        "inspected": seen.inspected,
        "acceptance": {**_share(seen), "not_proved_lot_ids": not_proved, "says": says},
        "by_use": [{"use": name, **told} for name, told in each.items()],
        "every_use": _of_use(by_use.every_use, one.bought.every_use, EVERY, by_use.not_known),
    }
    if use is not None:
        says = _on_use(by_use.uses.get(use, none), for_words(use)) + ask_for_general(use, by_use.uses)
    return _Accepted(says, view)


def _share(seen: Acceptance) -> View:
    return {
        "accepted": seen.accepted,
        "rate": seen.accepted / seen.inspected if seen.inspected else None,
        "low": seen.interval and seen.interval.low,
        "high": seen.interval and seen.interval.high,
        "method": "Wilson",
    }


def _of_use(seen: Acceptance, paid: Paid, what: str, not_known: int = 0) -> View:
    """Returns the acceptance for a use or for every use, and the cost per accepted kilogram."""
    says = _on_use(seen, what)
    if not_known:
        says += f" The verdict for each use is not known for {counted(not_known, 'more lot')}."
    return {"inspected": seen.inspected, **_share(seen), "cost": paid.view(what), "says": says}


def _on_use(seen: Acceptance, what: str) -> str:
    if seen.interval is None:
        return f"Accepted for {what}: no lot has a complete inspection yet."
    return (
        f"Accepted for {what}: {seen.accepted} of {counted(seen.inspected, 'lot')} ({_percent(seen, seen.interval)})."
    )


def _first_time(seen: Acceptance) -> str:
    if seen.interval is None:
        return f"{counted(seen.lots, 'lot')} delivered. No inspection is complete yet."
    lots = f"{seen.accepted} of {counted(seen.inspected, 'lot')}"
    return f"{lots} accepted the first time for {AT_LEAST_ONE} ({_percent(seen, seen.interval)})."


def _percent(seen: Acceptance, ends: Interval) -> str:
    rate = seen.accepted / seen.inspected
    return f"{100 * rate:.0f} %, {100 * ends.confidence:g} % interval {100 * ends.low:.0f} to {100 * ends.high:.0f} %"


def _line(one: _Supplier, grades: Mapping[int, Grade], ranks: Mapping[str, Rank]) -> View:
    """Returns the name, grades, deliveries, basis and ranks of a supplier."""
    return {
        "supplier": one.name,
        "grades": sorted({grades[number].code for number in {row.grade_id for row in one.lots.rows}}),
        **one.bought.view(),
        "basis": _basis(one),
        "rank": ranks["acceptance"].place,
        "rank_why": ranks["acceptance"].why,
        "ranks": {name: {"rank": rank.place, "why": rank.why} for name, rank in ranks.items()},
    }


def _basis(one: _Supplier) -> View:
    """Returns the lots, revisions and instruments behind the figures, to show whether suppliers are comparable."""
    rows = one.originals.rows
    return {
        "lot_ids": [row.id for row in rows],
        "resubmitted_lot_ids": [row.id for row in one.lots.rows if row.resubmission_of_id is not None],
        "not_inspected_lot_ids": [row.id for row in rows if row.accepted is None],
        "limits_revisions": sorted({row.limits for row in rows if row.limits is not None}),
        "shade_revisions": sorted({row.reference for row in rows if row.reference is not None}),
        "read_with": sorted({name for row in rows for name in row.sources.get(COLOR.name, ())}),
        "standings": dict(Counter(row.standing for row in rows)),
        "severities": dict(one.bought.severities),
    }


def _inference(pairs: Sequence[Comparison], originals: Sequence[LotSeries]) -> View:
    """Returns the method, the confidence and the validity of the comparisons."""
    since = min((lots.rows[0].received_at for lots in originals if lots), default=None)
    return {
        "method": "confidence sequences",
        "confidence": CONFIDENCE,
        "comparisons": len(pairs),
        "confidence_of_each": pairs[0].confidence if pairs else None,
        "valid_at_any_time": True,
        "since": since,
        "says": (
            "Intervals of differences are confidence sequences over all lots of the period. They remain valid after every lot. "
            f"The chance that any two equal suppliers ever differ significantly here, on any criterion, is at most {100 * (1 - CONFIDENCE):.0f} %. "
            "This assumes lots with a steady mean, and a period chosen before the lots were seen. "
            "Every other interval, such as that of the share accepted, is valid for a single comparison."
        ),
    }


def _says(said: Sequence[tuple[str, int | None, str]], question: Question, grade: Grade | None, order: str) -> str:
    """Returns the summary: the better suppliers, then the acceptance of each supplier.

    `said` is name, rank and acceptance in words of each supplier; `order` is in words, empty if no supplier is better than another.
    """
    of, what = f" of {grade.code}" if grade else "", _for(question.use)
    if not said and question.since is None and question.until is None:
        return f"No lots{of} yet. Log a delivery first."
    if not said:
        return f"No lot{of} was received in this period."
    if len(said) == 1:
        ((name, _, accepted),) = said
        return f"{name} is the only supplier{of}. {accepted}"
    name, place, accepted = said[0]
    if place == 1:
        return f"{name} has significantly more of its lots{of} accepted the first time for {what} than any other. {accepted}"
    none = f"No supplier{of} has significantly more of its lots accepted for {what} than the others yet."
    return " ".join([order or none, *(f"{name}: {accepted}" for name, _, accepted in said)])
