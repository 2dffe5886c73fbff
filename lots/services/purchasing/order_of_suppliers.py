"""The order of suppliers as it is answered: who is better than whom, groups, and newcomers with the lots they still need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.purchasing.supplier_comparison import CRITERIA, Comparison
from lots.domain.purchasing.supplier_groups import Order, in_words, newcomer_in_words, order_of
from lots.services.views import View


def orders(pairs: Sequence[Comparison], names: Mapping[int, str]) -> dict[str, Order]:
    """Returns the order of suppliers on each criterion.

    Args:
        pairs: every pair of them on every criterion.
        names: number -> what to call a supplier, of all of them.
    """
    return {criterion: order_of(criterion, list(names), pairs) for criterion in CRITERIA}


def answered(found: Mapping[str, Order], names: Mapping[int, str], what: str) -> View:
    """Returns the orders as the comparison answers them, by criterion.

    Args:
        found: the order on each criterion.
        names: number -> what to call a supplier.
        what: the use that lots are accepted for, in words.
    """
    return {criterion: _answered(order, names, what) for criterion, order in found.items()}


def _answered(order: Order, names: Mapping[int, str], what: str) -> View:
    return {
        "says": in_words(order, names, what),
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
