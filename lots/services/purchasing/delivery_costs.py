"""What deliveries cost and whether they came in time, per supplier."""

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
    """Money and accepted kilograms of one supplier's deliveries by currency, accepted being for some use or uses."""

    cost: dict[str, float] = field(default_factory=dict)
    accepted_kg: dict[str, float] = field(default_factory=dict)
    costed: int = 0
    uncosted: int = 0
    unsettled: int = 0

    def add(self, bought: Purchases, *, accepted: bool) -> None:
        """Adds deliveries that are alike.

        Notes:
            A lot that was sent back is neither paid nor kept, and one still in quarantine may come out either way: both are left out of the
            cost. What was blocked or scrapped counts as paid without a gram to show for it. A restricted lot is paid in full, and accepted for
            what it passes.
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
        """Returns the price of an accepted kilogram, rejected ones paid with it, and its currency; None without one, and for several currencies."""
        if len(self.cost) != 1:
            return None
        ((currency, cost),) = self.cost.items()
        kg = self.accepted_kg[currency]
        return (cost / kg, currency) if kg else None

    def view(self, what: str) -> View:
        """Returns what a kilogram cost that was accepted for `what`, a use in words."""
        found: View = {
            "per_accepted_kg": None,
            "currency": None,
            "accepted_kg": None,
            "deliveries": self.costed,
            "without_cost": self.uncosted,
        }
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
        paid = self.per_accepted_kg()
        if paid is None:
            return {**found, "says": f"{cost:.2f} {currency} paid, and no kilogram accepted for {what}.{left}"}
        price, over = paid[0], counted(self.costed, "delivery", "deliveries")
        return {
            **found,
            "per_accepted_kg": price,
            "says": f"{price:.2f} {currency} per kg accepted for {what}, over {over}.{left}",
        }


@dataclass(slots=True)
class Bought:
    """One supplier's deliveries: how strictly they were inspected, how many came late, and what was paid for kilograms accepted for which use.

    `paid` is for at least one use, `every_use` for all that the limits of a lot name.
    """

    deliveries: int = 0
    due: int = 0
    late: int = 0
    paid: Paid = field(default_factory=Paid)
    every_use: Paid = field(default_factory=Paid)
    by_use: dict[str, Paid] = field(default_factory=dict)
    severities: Counter[str] = field(default_factory=Counter)

    def add(self, bought: Purchases) -> None:
        """Adds deliveries that are alike. They count for the uses that the limits of their lots name."""
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
        """Returns what a kilogram accepted for at least one use cost, and how many deliveries came late."""
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
    """Returns supplier -> what it delivered."""
    found: dict[int, Bought] = {}
    for bought in purchases:
        found.setdefault(bought.supplier_id, Bought()).add(bought)
    return found
