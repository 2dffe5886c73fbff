"""What deliveries cost and whether they came in time, per supplier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.statistics.proportions import wilson


@dataclass(slots=True)
class _Tally:
    """Sums over one supplier's deliveries."""

    deliveries: int = 0
    due: int = 0
    late: int = 0
    kg: float = 0.0
    cost: dict[str, float] = field(default_factory=dict)
    accepted_kg: dict[str, float] = field(default_factory=dict)
    costed: int = 0
    uncosted: int = 0
    unsettled: int = 0
    severities: Counter[str] = field(default_factory=Counter)


def by_supplier(purchases: Iterable[tuple[Any, ...]], standings: dict[int, str]) -> dict[int, dict[str, Any]]:
    """Returns supplier -> what its deliveries cost per accepted kilogram and how many came late.

    Args:
        purchases: as store.series.purchases gives them.
        standings: lot -> where it stands.

    Notes:
        A lot that was sent back is neither paid nor kept, and one still in quarantine may come out either way: both are left out of the
        cost. What was blocked or scrapped counts as paid without a gram to show for it.
    """
    tallies: dict[int, _Tally] = {}
    for lot, supplier, received_at, due_at, cost, currency, sample, mass_g, _ in purchases:
        tally = tallies.setdefault(supplier, _Tally())
        standing = standings.get(lot, "quarantined")
        tally.deliveries += 1
        tally.kg += (mass_g or 0.0) / 1000
        tally.severities[sample.get("severity", "fixed")] += 1
        if due_at is not None:
            tally.due += 1
            tally.late += received_at > due_at
        if standing in ("returned", "quarantined"):
            tally.unsettled += 1
            continue
        if cost is None:
            tally.uncosted += 1
            continue
        tally.costed += 1
        kept = (mass_g or 0.0) / 1000 if standing in LOADABLE else 0.0
        tally.cost[currency] = tally.cost.get(currency, 0.0) + cost
        tally.accepted_kg[currency] = tally.accepted_kg.get(currency, 0.0) + kept
    return {supplier: _view(tally) for supplier, tally in tallies.items()}


def nothing() -> dict[str, Any]:
    """The same of a supplier without deliveries."""
    return _view(_Tally())


def _view(tally: _Tally) -> dict[str, Any]:
    interval = wilson(tally.late, tally.due) if tally.due else None
    return {
        "cost": _cost(tally),
        "late": {
            "deliveries": tally.deliveries,
            "with_due_date": tally.due,
            "late": tally.late,
            "rate": tally.late / tally.due if tally.due else None,
            "low": interval and interval.low,
            "high": interval and interval.high,
        },
        "severities": dict(tally.severities),
    }


def _cost(tally: _Tally) -> dict[str, Any]:
    found: dict[str, Any] = {"per_accepted_kg": None, "currency": None, "accepted_kg": None, "deliveries": tally.costed}
    if not tally.costed and tally.unsettled and not tally.uncosted:
        return {**found, "says": "No delivery counts yet: lots in quarantine and lots sent back are left out."}
    if not tally.costed:
        return {**found, "says": "No cost was recorded with its deliveries."}
    if len(tally.cost) > 1:
        return {
            **found,
            "says": f"Paid in several currencies ({', '.join(sorted(tally.cost))}), which are not added up.",
        }
    currency = next(iter(tally.cost))
    kg = tally.accepted_kg[currency]
    found |= {"currency": currency, "accepted_kg": kg}
    left = ""
    if tally.uncosted:
        left = f" {tally.uncosted} more without a recorded cost {'is' if tally.uncosted == 1 else 'are'} left out."
    if not kg:
        return {**found, "says": f"{tally.cost[currency]:.2f} {currency} paid, and no kilogram accepted.{left}"}
    price = tally.cost[currency] / kg
    says = f"{price:.2f} {currency} per accepted kg, over {tally.costed} {'delivery' if tally.costed == 1 else 'deliveries'}.{left}"
    return {**found, "per_accepted_kg": price, "says": says}
