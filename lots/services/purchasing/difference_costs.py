"""Costs of the difference between suppliers: rejected kilograms, days on hold and measuring time, at the shop's own prices."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import NamedTuple, TypedDict

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words
from lots.domain.words import counted, plural
from lots.services.purchasing.delivery_costs import Bought, Paid
from lots.services.setup.shop import Details
from lots.services.views import View
from lots.store.drift.lot_series import Purchases
from lots.store.purchasing import inspection_effort
from lots.store.purchasing.inspection_effort import Effort

# Inspection is computed from so many of a supplier's newest lots, which limits the work on a long record. Our choice, no source.
NEWEST = 50
# Lots that are paid for but cannot be loaded. Returned lots are counted separately.
_REJECTED = ("blocked", "scrapped")
_DAY = timedelta(days=1)


@dataclass(slots=True)
class _Mass:
    """Kilograms of one supplier by outcome, the cost of rejected deliveries by currency, and the number of those without a cost.

    `rejected` was paid for but not accepted for the use. `restricted` is the part of it that is accepted for another use.
    """

    accepted: float = 0.0
    rejected: float = 0.0
    restricted: float = 0.0
    returned: float = 0.0
    paid: dict[str, float] = field(default_factory=dict)
    currencies: set[str] = field(default_factory=set)
    unpriced: int = 0

    def add(self, bought: Purchases, use: str | None) -> None:
        """Adds equal deliveries. They count for the uses in the limits of their lots."""
        if use is not None and use not in bought.uses:
            return
        kg, kept = bought.mass_g / 1000, bought.standing in LOADABLE
        if bought.currency is not None:
            self.currencies.add(bought.currency)
        if bought.standing == "returned":
            self.returned += kg
        elif kept and (use is None or bought.uses[use]):
            self.accepted += kg
        elif kept or bought.standing in _REJECTED:
            self.rejected += kg
            self.restricted += kg if kept else 0.0
            if bought.currency is None:
                self.unpriced += bought.deliveries
            else:
                self.paid[bought.currency] = self.paid.get(bought.currency, 0.0) + bought.cost


class CostLine(TypedDict):
    """The costs of one supplier's rejected lots, holds and inspection; None if unknown."""

    supplier_id: int
    supplier: str
    accepted_kg: float
    rejected_kg: float
    restricted_kg: float
    rejected_per_accepted_kg: float | None
    rejected_cost: float | None
    rejected_currency: str | None
    rejected_cost_per_accepted_kg: float | None
    rejected_without_cost: int
    returned_kg: float
    lots: int
    hold_days: float | None
    lots_held: int
    lots_waiting: int
    lots_inspected: int
    readings_per_lot: float | None
    bench_hours_per_lot: float | None
    bench_cost_per_accepted_kg: float | None
    cost_per_accepted_kg: float | None
    currency: str | None
    includes: list[str]
    why: str | None
    says: str


class _Money(NamedTuple):
    """An amount in a currency."""

    amount: float
    currency: str


def costs(
    use: str | None,
    purchases: Iterable[Purchases],
    bought: Mapping[int, Bought],
    lots: Mapping[int, Sequence[SeriesLot]],
    names: Mapping[int, str],
    shop: Details,
) -> View:
    """Returns the costs of rejected lots, holds and measuring, and the total cost per accepted kilogram, by supplier. Three queries.

    Args:
        use: the use for acceptance; None for at least one.
        purchases: deliveries of the lots compared.
        bought: the same by supplier, with the cost by use.
        lots: of each supplier, oldest first.
        names: of all suppliers with lots, by number.
        shop: its minutes per reading and its cost of an hour at the bench.

    Notes:
        The cost per accepted kg is the price of accepted and rejected lots, plus measuring if the shop states its cost per hour. It is None if
        a rejected delivery has no recorded cost, because missing data would make a supplier look cheaper. Currencies are never added up. A lot
        is on hold from its first decision with the status in quarantine to its first decision with another, days. Readings and kilograms count
        after the original inspection of their lot. Voided readings count too, because they took time.
    """
    masses: dict[int, _Mass] = {}
    for one in purchases:
        masses.setdefault(one.supplier_id, _Mass()).add(one, use)
    asked = _Asked(use, bought, shop)
    newest = {number: mine[-NEWEST:] for number, mine in lots.items()}
    effort = inspection_effort.of_lots([row.id for mine in newest.values() for row in mine])
    lines = [
        _line(number, name, masses.get(number, _Mass()), _inspection(newest.get(number, ()), effort, use), asked)
        for number, name in names.items()
    ]
    return {
        "newest_lots": NEWEST,
        "minutes_per_reading": shop.minutes_per_reading,
        "bench_cost_per_h": shop.bench_cost_per_h,
        "bench_currency": shop.bench_currency,
        "suppliers": lines,
        "says": _says(lines, asked.what),
    }


@dataclass(frozen=True, slots=True)
class _Asked:
    """The use (None for at least one), the deliveries by supplier and the details of the shop."""

    use: str | None
    bought: Mapping[int, Bought]
    shop: Details

    @property
    def what(self) -> str:
        """The use in words."""
        return AT_LEAST_ONE if self.use is None else for_words(self.use)

    def paid(self, number: int) -> Paid:
        """Returns the cost of a supplier's deliveries for the use."""
        bought = self.bought.get(number, Bought())
        return bought.paid if self.use is None else bought.by_use.get(self.use, Paid())


@dataclass(frozen=True, slots=True)
class _Inspection:
    """The inspection of a supplier's newest lots.

    `held` are the days on hold of lots with a verdict. `readings` and `accepted_kg` are of lots with a complete inspection for the use.
    """

    lots: int
    waiting: int
    inspected: int
    readings: int
    held: Sequence[float]
    accepted_kg: float


def _inspection(lots: Sequence[SeriesLot], effort: Mapping[int, Effort], use: str | None) -> _Inspection:
    took = [effort[row.id] for row in lots]
    ended = [row for row in lots if row.accepted is not None and (use is None or use in row.uses)]
    accepted = [row for row in ended if row.standing in LOADABLE and (use is None or row.uses[use])]
    return _Inspection(
        len(lots),
        sum(row.standing == "quarantined" for row in lots),
        len(ended),
        sum(effort[row.id].readings for row in ended),
        [(one.verdict_at - one.held_from) / _DAY for one in took if one.held_from and one.verdict_at],
        sum(effort[row.id].mass_g for row in accepted) / 1000,
    )


def _line(number: int, name: str, mass: _Mass, seen: _Inspection, asked: _Asked) -> CostLine:
    inspected, readings, held, shop = seen.inspected, seen.readings, seen.held, asked.shop
    rejected, bench = _rejected(mass), _bench(readings, shop)
    measuring = _per_kg(bench, seen.accepted_kg)
    whole, why = _whole(mass, measuring, asked.paid(number), asked)
    return {
        "supplier_id": number,
        "supplier": name,
        "accepted_kg": mass.accepted,
        "rejected_kg": mass.rejected,
        "restricted_kg": mass.restricted,
        "rejected_per_accepted_kg": mass.rejected / mass.accepted if mass.accepted else None,
        "rejected_cost": rejected.amount if rejected else None,
        "rejected_currency": rejected.currency if rejected else None,
        "rejected_cost_per_accepted_kg": _amount(_per_kg(rejected, mass.accepted)),
        "rejected_without_cost": mass.unpriced,
        "returned_kg": mass.returned,
        "lots": seen.lots,
        "hold_days": sum(held) / len(held) if held else None,
        "lots_held": len(held),
        "lots_waiting": seen.waiting,
        "lots_inspected": inspected,
        "readings_per_lot": readings / inspected if inspected else None,
        "bench_hours_per_lot": readings * shop.minutes_per_reading / 60 / inspected if inspected else None,
        "bench_cost_per_accepted_kg": _amount(measuring),
        "cost_per_accepted_kg": _amount(whole),
        "currency": whole.currency if whole else None,
        "includes": [part for part, known in (("price", True), ("measuring", measuring)) if whole and known],
        "why": why,
        "says": _line_says(mass, seen, rejected, asked),
    }


def _whole(mass: _Mass, measuring: _Money | None, paid: Paid, asked: _Asked) -> tuple[_Money | None, str | None]:
    """Returns the cost per accepted kilogram with price and measuring, or the reason why it is unknown."""
    if not mass.accepted and not mass.rejected:
        return None, f"No kilogram was accepted or rejected for {asked.what}."
    if mass.unpriced:
        without = counted(mass.unpriced, "rejected delivery has", "rejected deliveries have")
        return None, f"{without} no recorded cost."
    price = paid.per_accepted_kg()
    if price is None:
        return None, str(paid.view(asked.what)["says"])
    whole = _Money(*price)
    if asked.shop.bench_cost_per_h is None:
        return whole, None
    if measuring is None:
        return None, f"No kilogram of its newest {NEWEST} lots was accepted for {asked.what}."
    if measuring.currency != whole.currency:
        both = f"{whole.currency} and {measuring.currency}"
        return None, f"Prices and hours at the bench are in different currencies ({both}), which are not added up."
    return _Money(whole.amount + measuring.amount, whole.currency), None


def _amount(money: _Money | None) -> float | None:
    return money.amount if money else None


def _rejected(mass: _Mass) -> _Money | None:
    """Returns the cost of rejected deliveries; None unless each has a cost and all are in one currency."""
    if mass.unpriced or len(mass.currencies) != 1:
        return None
    (currency,) = mass.currencies
    return _Money(mass.paid.get(currency, 0.0), currency)


def _bench(readings: int, shop: Details) -> _Money | None:
    if shop.bench_cost_per_h is None or shop.bench_currency is None:
        return None
    return _Money(readings * shop.minutes_per_reading / 60 * shop.bench_cost_per_h, shop.bench_currency)


def _per_kg(money: _Money | None, kg: float) -> _Money | None:
    return _Money(money.amount / kg, money.currency) if money and kg else None


def _line_says(mass: _Mass, seen: _Inspection, rejected: _Money | None, asked: _Asked) -> str:
    said = [f"{mass.accepted:.1f} kg accepted for {asked.what}, {mass.rejected:.1f} kg rejected."]
    if mass.restricted:
        said.append(f"{mass.restricted:.1f} kg of the rejected are accepted for another use.")
    if rejected is not None and mass.rejected:
        said.append(f"The rejected lots cost {rejected.amount:.2f} {rejected.currency}.")
    elif mass.rejected and len(mass.currencies) > 1:
        said.append(f"Costs are in several currencies ({', '.join(sorted(mass.currencies))}), which are not added up.")
    elif mass.rejected:
        said.append("The cost of rejected deliveries is not recorded completely.")
    if mass.returned:
        said.append(f"{mass.returned:.1f} kg were returned to the supplier.")
    if seen.held:
        mean = sum(seen.held) / len(seen.held)
        said.append(f"On hold for {mean:.1f} days on average over {counted(len(seen.held), 'lot')}.")
    if seen.waiting:
        said.append(f"{counted(seen.waiting, 'lot')} {plural(seen.waiting, 'is', 'are')} in quarantine.")
    if seen.inspected:
        each = seen.readings / seen.inspected
        hours = f"{each:.1f} readings and {each * asked.shop.minutes_per_reading / 60:.1f} h at the bench per lot"
        said.append(f"{hours} on average over the newest {counted(seen.inspected, 'inspected lot')}.")
    return " ".join(said)


def _says(lines: Sequence[CostLine], what: str) -> str:
    """Returns the largest difference in cost, or else in rejected kilograms, and the suppliers with unknown cost."""
    priced: dict[tuple[str | None, tuple[str, ...]], list[tuple[float, str]]] = {}
    for line in lines:
        if line["cost_per_accepted_kg"] is not None:
            same = priced.setdefault((line["currency"], tuple(line["includes"])), [])
            # Rounded as shown, so that the difference agrees with the figures on the page.
            same.append((round(line["cost_per_accepted_kg"], 2), line["supplier"]))
    left_out = [f"{line['supplier']} is left out. {line['why']}" for line in lines if line["why"]]
    for (currency, parts), alike in sorted(priced.items(), key=lambda one: -len(one[1])):
        if len(alike) < 2:
            continue
        (low, cheap), (high, dear) = min(alike), max(alike)
        counts = (
            f"This includes the price of accepted and rejected lots{', and measuring' if 'measuring' in parts else ''}."
        )
        more = f"{dear} costs {high - low:.2f} {currency} more per kg accepted for {what} than {cheap}."
        if high == low:
            more = f"No supplier costs more than another per kg accepted for {what}."
        return " ".join([more, counts, *left_out])
    shares = [
        (line["rejected_per_accepted_kg"], line["supplier"])
        for line in lines
        if line["rejected_per_accepted_kg"] is not None
    ]
    if len(shares) < 2:
        return "Fewer than two suppliers have accepted kilograms, so nothing can be compared."
    (low, cheap), (high, dear) = min(shares), max(shares)
    told = [
        f"{name}: {share:.2f} kg rejected per kg accepted for {what}." for share, name in ((high, dear), (low, cheap))
    ]
    reasons = [f"{line['supplier']}: {line['why']}" for line in lines if line["why"]]
    return " ".join([*told, "Costs cannot be compared.", *reasons])
