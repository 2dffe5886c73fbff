"""What deliveries cost and whether they came in time, per supplier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.statistics.proportions import wilson
from lots.domain.words import counted, plural
from lots.services.views import View
from lots.store.drift.lot_series import Purchases


@dataclass(slots=True)
class Bought:
    """Sums over one supplier's deliveries, kg and money by currency."""

    deliveries: int = 0
    due: int = 0
    late: int = 0
    cost: dict[str, float] = field(default_factory=dict)
    accepted_kg: dict[str, float] = field(default_factory=dict)
    costed: int = 0
    uncosted: int = 0
    unsettled: int = 0
    severities: Counter[str] = field(default_factory=Counter)

    def add(self, bought: Purchases) -> None:
        """Adds deliveries that are alike.

        Notes:
            A lot that was sent back is neither paid nor kept, and one still in quarantine may come out either way: both are left out of the
            cost. What was blocked or scrapped counts as paid without a gram to show for it.
        """
        self.deliveries += bought.deliveries
        self.severities[bought.severity] += bought.deliveries
        if bought.late is not None:
            self.due += bought.deliveries
            self.late += bought.deliveries * bought.late
        if bought.standing in ("returned", "quarantined"):
            self.unsettled += bought.deliveries
        elif bought.currency is None:
            self.uncosted += bought.deliveries
        else:
            self.costed += bought.deliveries
            kept = bought.mass_g / 1000 if bought.standing in LOADABLE else 0.0
            self.cost[bought.currency] = self.cost.get(bought.currency, 0.0) + bought.cost
            self.accepted_kg[bought.currency] = self.accepted_kg.get(bought.currency, 0.0) + kept

    def view(self) -> View:
        """Returns what an accepted kilogram cost, and how many deliveries came late."""
        interval = wilson(self.late, self.due) if self.due else None
        late = {
            "deliveries": self.deliveries,
            "with_due_date": self.due,
            "late": self.late,
            "rate": self.late / self.due if self.due else None,
            "low": interval and interval.low,
            "high": interval and interval.high,
        }
        return {"cost": self._cost(), "late": late}

    def _cost(self) -> View:
        found: View = {"per_accepted_kg": None, "currency": None, "accepted_kg": None, "deliveries": self.costed}
        if not self.costed and self.unsettled and not self.uncosted:
            return {**found, "says": "No delivery counts yet: lots in quarantine and lots sent back are left out."}
        if not self.costed:
            return {**found, "says": "No cost was recorded with its deliveries."}
        if len(self.cost) > 1:
            currencies = ", ".join(sorted(self.cost))
            return {**found, "says": f"Paid in several currencies ({currencies}), which are not added up."}
        ((currency, cost),) = self.cost.items()
        kg = self.accepted_kg[currency]
        found |= {"currency": currency, "accepted_kg": kg}
        left = ""
        if self.uncosted:
            left = f" {self.uncosted} more without a recorded cost {plural(self.uncosted, 'is', 'are')} left out."
        if not kg:
            return {**found, "says": f"{cost:.2f} {currency} paid, and no kilogram accepted.{left}"}
        price, over = cost / kg, counted(self.costed, "delivery", "deliveries")
        return {
            **found,
            "per_accepted_kg": price,
            "says": f"{price:.2f} {currency} per accepted kg, over {over}.{left}",
        }


def by_supplier(purchases: Iterable[Purchases]) -> dict[int, Bought]:
    """Returns supplier -> what it delivered."""
    found: dict[int, Bought] = {}
    for bought in purchases:
        found.setdefault(bought.supplier_id, Bought()).add(bought)
    return found
