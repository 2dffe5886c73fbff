"""What the difference between suppliers costs: rejected kilograms, days on hold and time at the bench, from the shop's own record and prices."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import NamedTuple, TypedDict

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.purchasing.by_use import AT_LEAST_ONE, for_words
from lots.domain.words import counted, plural
from lots.services.setup.shop import Details
from lots.services.views import View
from lots.store.drift.lot_series import Purchases
from lots.store.purchasing import inspection_effort
from lots.store.purchasing.inspection_effort import Effort

# Inspection is told from so many of a supplier's newest lots, so that the work is the same however long the record is. Own choice, no source.
NEWEST = 50
# What is paid for and gives nothing to load. What went back to the supplier is told apart.
_REJECTED = ("blocked", "scrapped")
_DAY = timedelta(days=1)


@dataclass(slots=True)
class _Mass:
    """Kilograms of one supplier by what became of them, and the money of rejected deliveries by currency.

    Rejected is what was paid for and is not accepted for the use asked about; `restricted` is the part of it that is accepted for another.
    """

    accepted: float = 0.0
    rejected: float = 0.0
    restricted: float = 0.0
    returned: float = 0.0
    paid: dict[str, float] = field(default_factory=dict)
    currencies: set[str] = field(default_factory=set)
    unpriced: float = 0.0

    def add(self, bought: Purchases, use: str | None) -> None:
        """Adds deliveries that are alike. They count for the uses that the limits of their lots name."""
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
                self.unpriced += kg
            else:
                self.paid[bought.currency] = self.paid.get(bought.currency, 0.0) + bought.cost


class CostLine(TypedDict):
    """What one supplier's rejected lots, holds and inspection cost; None where it is not known."""

    supplier_id: int
    supplier: str
    accepted_kg: float
    rejected_kg: float
    restricted_kg: float
    rejected_per_accepted_kg: float | None
    rejected_cost: float | None
    rejected_currency: str | None
    rejected_cost_per_accepted_kg: float | None
    returned_kg: float
    lots: int
    hold_days: float | None
    lots_held: int
    lots_waiting: int
    readings_per_lot: float | None
    bench_hours_per_lot: float | None
    bench_cost_per_accepted_kg: float | None
    cost_per_accepted_kg: float | None
    currency: str | None
    includes: list[str]
    says: str


class _Money(NamedTuple):
    """An amount in a currency."""

    amount: float
    currency: str


def costs(
    use: str | None,
    purchases: Iterable[Purchases],
    lots: Mapping[int, Sequence[SeriesLot]],
    names: Mapping[int, str],
    shop: Details,
) -> View:
    """Returns what rejected lots, holds and measuring cost, per supplier and per accepted kilogram. Three queries.

    Args:
        use: that lots are accepted for; at least one where None.
        purchases: deliveries of the lots compared.
        lots: of each supplier, oldest first.
        names: number -> what to call a supplier, of all that have lots.
        shop: its minutes per reading and its cost of an hour at the bench.

    Notes:
        Money is told where every delivery that it is for has a recorded cost in one currency. Currencies are never added up. A lot is on hold from
        its first decision that left it in quarantine to its first that did not, days. Voided readings took time too, so they count.
    """
    masses: dict[int, _Mass] = {}
    for bought in purchases:
        masses.setdefault(bought.supplier_id, _Mass()).add(bought, use)
    what = AT_LEAST_ONE if use is None else for_words(use)
    newest = {number: mine[-NEWEST:] for number, mine in lots.items()}
    effort = inspection_effort.of_lots([row.id for mine in newest.values() for row in mine])
    lines = [
        _line(number, name, masses.get(number, _Mass()), _inspection(newest.get(number, ()), effort, use), shop)
        for number, name in names.items()
    ]
    for line in lines:
        line["says"] = _line_says(line, masses.get(line["supplier_id"], _Mass()), what)
    return {
        "newest_lots": NEWEST,
        "minutes_per_reading": shop.minutes_per_reading,
        "bench_cost_per_h": shop.bench_cost_per_h,
        "bench_currency": shop.bench_currency,
        "suppliers": lines,
        "says": _says(lines, what),
    }


@dataclass(frozen=True, slots=True)
class _Inspection:
    """What the inspection of a supplier's newest lots took: readings, days on hold of each that has a verdict, and the kilograms accepted of them."""

    lots: int
    waiting: int
    readings: int
    held: Sequence[float]
    accepted_kg: float


def _inspection(lots: Sequence[SeriesLot], effort: Mapping[int, Effort], use: str | None) -> _Inspection:
    took = [effort[row.id] for row in lots]
    accepted = [row for row in lots if row.standing in LOADABLE and (use is None or row.uses.get(use))]
    return _Inspection(
        len(lots),
        sum(row.standing == "quarantined" for row in lots),
        sum(one.readings for one in took),
        [(one.verdict_at - one.held_from) / _DAY for one in took if one.held_from and one.verdict_at],
        sum(effort[row.id].mass_g for row in accepted) / 1000,
    )


def _line(number: int, name: str, mass: _Mass, seen: _Inspection, shop: Details) -> CostLine:
    lots, readings, held = seen.lots, seen.readings, seen.held
    rejected, bench = _rejected(mass), _bench(readings, shop)
    each = [_per_kg(rejected, mass.accepted), _per_kg(bench, seen.accepted_kg)]
    whole = _sum([one for one in each if one])
    return {
        "supplier_id": number,
        "supplier": name,
        "accepted_kg": mass.accepted,
        "rejected_kg": mass.rejected,
        "restricted_kg": mass.restricted,
        "rejected_per_accepted_kg": mass.rejected / mass.accepted if mass.accepted else None,
        "rejected_cost": rejected.amount if rejected else None,
        "rejected_currency": rejected.currency if rejected else None,
        "rejected_cost_per_accepted_kg": _amount(each[0]),
        "returned_kg": mass.returned,
        "lots": lots,
        "hold_days": sum(held) / len(held) if held else None,
        "lots_held": len(held),
        "lots_waiting": seen.waiting,
        "readings_per_lot": readings / lots if lots else None,
        "bench_hours_per_lot": readings * shop.minutes_per_reading / 60 / lots if lots else None,
        "bench_cost_per_accepted_kg": _amount(each[1]),
        "cost_per_accepted_kg": _amount(whole),
        "currency": whole.currency if whole else None,
        "includes": [part for part, one in zip(("rejected", "measuring"), each, strict=True) if one],
        "says": "",
    }


def _amount(money: _Money | None) -> float | None:
    return money.amount if money else None


def _rejected(mass: _Mass) -> _Money | None:
    """What rejected deliveries cost; None unless each has a cost, all in one currency."""
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


def _sum(parts: Sequence[_Money]) -> _Money | None:
    if len({one.currency for one in parts}) != 1:
        return None
    return _Money(sum(one.amount for one in parts), parts[0].currency)


def _line_says(line: CostLine, mass: _Mass, what: str) -> str:
    said = [f"{line['accepted_kg']:.1f} kg accepted for {what}, {line['rejected_kg']:.1f} kg rejected."]
    if mass.restricted:
        said.append(f"Of these, {mass.restricted:.1f} kg are accepted for another use.")
    if line["rejected_cost"] is not None and line["rejected_kg"]:
        said.append(f"The rejected lots cost {line['rejected_cost']:.2f} {line['rejected_currency']}.")
    elif mass.rejected and len(mass.currencies) > 1:
        said.append(f"They were paid in {', '.join(sorted(mass.currencies))}, which are not added up.")
    elif mass.rejected:
        said.append("Their cost was not recorded for every delivery.")
    if mass.returned:
        said.append(f"{mass.returned:.1f} kg went back to the supplier.")
    if line["hold_days"] is not None:
        said.append(f"On hold for {line['hold_days']:.1f} days on average over {counted(line['lots_held'], 'lot')}.")
    if line["lots_waiting"]:
        said.append(
            f"{counted(line['lots_waiting'], 'lot')} {plural(line['lots_waiting'], 'is', 'are')} in quarantine."
        )
    if line["readings_per_lot"] is not None:
        hours = (
            f"{line['readings_per_lot']:.1f} readings and {line['bench_hours_per_lot']:.1f} h at the bench for each lot"
        )
        said.append(f"{hours}, over the newest {counted(line['lots'], 'lot')}.")
    return " ".join(said)


def _says(lines: Sequence[CostLine], what: str) -> str:
    """The largest difference in money, else in rejected kilograms."""
    priced: dict[tuple[str | None, tuple[str, ...]], list[tuple[float, str]]] = {}
    for line in lines:
        if line["cost_per_accepted_kg"] is not None:
            same = priced.setdefault((line["currency"], tuple(line["includes"])), [])
            same.append((line["cost_per_accepted_kg"], line["supplier"]))
    for (currency, parts), alike in sorted(priced.items(), key=lambda one: -len(one[1])):
        (low, cheap), (high, dear) = min(alike), max(alike)
        causes = " and ".join("rejected lots" if part == "rejected" else "measuring" for part in parts)
        if len(alike) > 1 and round(high - low, 2):
            more = f"{high - low:.2f} {currency} more per kg accepted for {what} than {cheap}"
            return f"{dear} costs {more}. This counts {causes}."
        if len(alike) > 1:
            return f"No supplier costs more than another per kg accepted for {what}. This counts {causes}."
    shares = [
        (line["rejected_per_accepted_kg"], line["supplier"])
        for line in lines
        if line["rejected_per_accepted_kg"] is not None
    ]
    if len(shares) < 2:
        return "There are no two suppliers with accepted kilograms to compare."
    (low, cheap), (high, dear) = min(shares), max(shares)
    told = [
        f"{name}: {share:.2f} kg rejected per kg accepted for {what}." for share, name in ((high, dear), (low, cheap))
    ]
    return f"{' '.join(told)} Prices are not recorded, so money is not told."
