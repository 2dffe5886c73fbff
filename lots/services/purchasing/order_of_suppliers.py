"""The order of suppliers for the API: better and worse pairs, groups, and newcomers with the lots they still need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.assessment.limits_revision import GENERAL, Limits
from lots.domain.drift.lot_series import LotSeries
from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words
from lots.domain.purchasing.supplier_comparison import CRITERIA, Comparison, criteria_for, open_question
from lots.domain.purchasing.supplier_groups import Order, better_than, in_words, newcomer_in_words, order_of
from lots.services.purchasing.next_order_words import not_covered
from lots.services.views import View
from lots.store.tables.models import Grade


def orders(pairs: Sequence[Comparison], names: Mapping[int, str]) -> dict[str, Order]:
    """Returns the order of suppliers on each criterion.

    Args:
        pairs: every pair of suppliers on every criterion.
        names: of all suppliers, by number.
    """
    return {criterion: order_of(criterion, list(names), pairs) for criterion in CRITERIA}


def uncovered(use: str | None, agreed: Limits | None, grade: Grade | None, lots: LotSeries) -> str | None:
    """Returns the sentence for a use that neither the limits of the grade nor any verdict of these lots covers; None if one does."""
    if not lots or use is None or agreed is None or grade is None or any(use in row.uses for row in lots.rows):
        return None
    # If the limits name no use, the acceptance of each supplier refers to general use.
    return None if {use, GENERAL} & {*agreed.required()} else not_covered(grade.code, use)


def answered(found: Mapping[str, Order], names: Mapping[int, str], what: str, uncovered: str | None = None) -> View:
    """Returns the orders for the API, by criterion.

    Args:
        found: the order on each criterion.
        names: of the suppliers, by number.
        what: the use for acceptance, in words.
        uncovered: the sentence for acceptance if no lot has a verdict on the use; None if one has.
    """
    special = {"acceptance": uncovered}
    return {
        criterion: _answered(order, names, special.get(criterion) or in_words(order, names, what))
        for criterion, order in found.items()
    }


def _answered(order: Order, names: Mapping[int, str], says: str) -> View:
    return {
        "says": says,
        "better_than": [{"better_supplier_id": good, "worse_supplier_id": bad} for good, bad in order.better],
        "groups": [list(group) for group in order.groups],
        "newcomers": [
            {
                "supplier_id": one.supplier,
                "lots": one.lots,
                "lots_needed": one.lots_needed,
                "says": newcomer_in_words(one, names),
            }
            for one in order.newcomers
        ],
    }


def pair(found: Comparison, names: Mapping[int, str], use: str | None) -> View:
    """Returns the comparison of two suppliers on one criterion, for the API.

    Args:
        found: first minus second.
        names: of the suppliers, by number.
        use: the use for acceptance; None for at least one.
    """
    better = {1: found.first, 2: found.second}.get(found.better or 0)
    return {
        "criterion": found.criterion,
        "first_supplier_id": found.first,
        "second_supplier_id": found.second,
        "difference": found.difference,
        "low": found.low,
        "high": found.high,
        "better_supplier_id": better,
        "more_lots": found.more_lots,
        "lots_first": found.n_first,
        "lots_second": found.n_second,
        "confidence": found.confidence,
        "interval": "confidence sequence",
        "says": _pair_says(found, names, better, use),
    }


def _pair_says(found: Comparison, names: Mapping[int, str], better: int | None, use: str | None) -> str:
    one, two = names[found.first], names[found.second]
    if found.difference is None:
        return f"{one} and {two} have no lots of the same kind to compare."
    if better is not None:
        other = two if better == found.first else one
        what = AT_LEAST_ONE if use is None else for_words(use)
        return f"{names[better]} {better_than(found.criterion, what)} {other}."
    why = open_question(found)
    return f"{one} and {two} are compared by the {criteria_for(use)[found.criterion]}. {why[0].upper()}{why[1:]}."
