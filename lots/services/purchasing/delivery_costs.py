"""Cost and punctuality of deliveries by supplier."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.purchasing.by_use import AT_LEAST_ONE, on_every_use
from lots.domain.statistics.proportions import wilson
from lots.domain.words import counted, plural
from lots.services.views import View
from lots.store.drift.lot_series import Purchases


@dataclass(slots=True)
class Paid:
    """The money and the accepted kilograms of one supplier's deliveries, by currency."""

    cost: dict[str, float] = field(default_factory=dict)
    accepted_kg: dict[str, float] = field(default_factory=dict)
    costed: int = 0
    uncosted: int = 0
    unsettled: int = 0

    def add(self, bought: Purchases, *, accepted: bool) -> None:
        """Adds equal deliveries.

        Notes:
            Returned lots and lots in quarantine are left out of the cost. Blocked and scrapped lots count with their cost and no accepted mass.
            A restricted lot counts with its full cost, and as accepted for the uses that it passes.
        """
        if bought.standing in ("returned", "quarantined"):
            self.unsettled += bought.deliveries
        elif bought.currency is None:
            self.uncosted += bought.deliveries
        else:
            self.costed += bought.deliveries
            kept = bought.mass_g / 1000 if accepted and bought.standing in LOADABLE else 0.0
            self.cost[bought.currency] = self.cost.get(bought.currency, 0.0) + bought.cost
            self.accepted_kg[bought.currency] = self.accepted_kg.get(bought.currency, 0.0) + kept

    def per_accepted_kg(self) -> tuple[float, str] | None:
        """Returns the cost per accepted kilogram, including rejected lots, and its currency; None without one, or with several currencies."""
        if len(self.cost) != 1:
            return None
        ((currency, cost),) = self.cost.items()
        kg = self.accepted_kg[currency]
        return (cost / kg, currency) if kg else None

    def view(self, what: str) -> View:
        """Returns the cost per kilogram accepted for `what`, a use in words."""
        found: View = {
            "per_accepted_kg": None,
            "currency": None,
            "accepted_kg": None,
            "deliveries": self.costed,
            "without_cost": self.uncosted,
        }
        if not self.costed and self.unsettled and not self.uncosted:
            return {**found, "says": "No delivery counts yet. Lots in quarantine and returned lots are left out."}
        if not self.costed:
            return {**found, "says": "No cost is recorded with its deliveries."}
        if len(self.cost) > 1:
            currencies = ", ".join(sorted(self.cost))
            return {**found, "says": f"Costs are in several currencies ({currencies}), which are not added up."}
        ((currency, cost),) = self.cost.items()
        kg = self.accepted_kg[currency]
        found |= {"currency": currency, "accepted_kg": kg}
        left = ""
        if self.uncosted:
            left = f" {counted(self.uncosted, 'delivery', 'deliveries')} without a recorded cost {plural(self.uncosted, 'is', 'are')} left out."
        paid = self.per_accepted_kg()
        if paid is None:
            return {**found, "says": f"{cost:.2f} {currency} paid, but no kilogram accepted for {what}.{left}"}
        price, over = paid[0], counted(self.costed, "delivery", "deliveries")
        return {
            **found,
            "per_accepted_kg": price,
            "says": f"{price:.2f} {currency} per kg accepted for {what}, over {over}.{left}",
        }


@dataclass(slots=True)
class Bought:
    """One supplier's deliveries: severity of inspection, punctuality, and cost by use.

    `paid` is for kilograms accepted for at least one use, `every_use` for those accepted for all uses in the limits of their lot.
    """

    deliveries: int = 0
    due: int = 0
    late: int = 0
    paid: Paid = field(default_factory=Paid)
    every_use: Paid = field(default_factory=Paid)
    by_use: dict[str, Paid] = field(default_factory=dict)
    severities: Counter[str] = field(default_factory=Counter)

    def add(self, bought: Purchases) -> None:
        """Adds equal deliveries. They count for the uses in the limits of their lots."""
        self.deliveries += bought.deliveries
        self.severities[bought.severity] += bought.deliveries
        if bought.late is not None:
            self.due += bought.deliveries
            self.late += bought.deliveries * bought.late
        self.paid.add(bought, accepted=True)
        self.every_use.add(bought, accepted=bool(on_every_use(bought.uses)))
        for use, passes in bought.uses.items():
            self.by_use.setdefault(use, Paid()).add(bought, accepted=passes)

    def view(self) -> View:
        """Returns the cost per kilogram accepted for at least one use, and the number of late deliveries."""
        interval = wilson(self.late, self.due) if self.due else None
        late = {
            "deliveries": self.deliveries,
            "with_due_date": self.due,
            "late": self.late,
            "rate": self.late / self.due if self.due else None,
            "low": interval and interval.low,
            "high": interval and interval.high,
        }
        return {"cost": self.paid.view(AT_LEAST_ONE), "late": late}


def by_supplier(purchases: Iterable[Purchases]) -> dict[int, Bought]:
    """Returns the deliveries of each supplier, by number."""
    found: dict[int, Bought] = {}
    for bought in purchases:
        found.setdefault(bought.supplier_id, Bought()).add(bought)
    return found
