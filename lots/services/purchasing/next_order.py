"""Purchasing: which supplier for the next order of a grade, by the expected cost per usable kilogram for a use."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from lots.domain.assessment.limits_revision import limits_from, verdict_on_use
from lots.domain.drift.lot_series import LotSeries
from lots.services.lookups import found
from lots.services.purchasing import next_order_words as words
from lots.services.purchasing import supplies
from lots.services.setup import grade_uses, shop
from lots.services.setup.shop import Details
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.purchasing import orders
from lots.store.purchasing.orders import Paid
from lots.store.tables.models import Grade

if TYPE_CHECKING:
    from lots.domain.purchasing.forecast import Forecast
    from lots.domain.purchasing.order_cost import CostDifference, Offer, OrderCost

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Bought:
    """What was paid and measured of a supplier's newest lots, in the currency of its newest price.

    Args:
        prices: money per kg of the newest deliveries with a cost, oldest first.
        currency: of them; None without one.
        readings_per_lot, readings_per_kg: of inspected lots; None without one.
        lead_days: days from order to delivery, where both were recorded.
    """

    prices: Sequence[float]
    currency: str | None
    readings_per_lot: float | None
    readings_per_kg: float | None
    lead_days: Sequence[float]

    def measuring_per_kg(self, said: Details) -> float | None:
        """Returns what measuring a kg costs; None where that is not known, or not in the currency of the prices."""
        if self.readings_per_kg is None or said.bench_cost_per_h is None or said.bench_currency != self.currency:
            return None
        return self.readings_per_kg * said.minutes_per_reading / 60 * said.bench_cost_per_h


@dataclass(frozen=True, slots=True)
class Candidate:
    """A supplier that may be ordered from: what is known of it, and what a usable kilogram costs, or `why` that cannot be told.

    `inspected` counts its lots inspected to an end for the use; `returned` and `kept` those rejected, by how they ended.
    """

    number: int
    name: str
    inspected: int
    returned: int
    kept: int
    likely: Forecast
    bought: Bought
    measuring: float | None
    cost: OrderCost | None = None
    why: str | None = None


def next_order(grade_id: int, use: str) -> View:
    """Returns which supplier costs least per usable kilogram of a grade for a use, and whether the difference is significant.

    Eleven queries at most.

    Args:
        grade_id: what is ordered.
        use: what it must be usable for, one of USES or GENERAL.

    Raises:
        NotFound: no such grade.
    """
    from lots.domain.purchasing.order_cost import differences

    grade, said = found("grade", grade_id), shop.details()
    asked = _costed(_candidates(grade, use, said), _forbidden(grade, use), grade, use)
    groups: dict[str, dict[int, OrderCost]] = {}
    for one in asked:
        if one.cost is not None and one.bought.currency is not None:
            groups.setdefault(one.bought.currency, {})[one.number] = one.cost
    pairs = differences(list(groups.values()), CONFIDENCE)
    asked.sort(key=_order)
    by_number = {one.number: one for one in asked}
    return {
        "grade_id": grade.id,
        "grade": grade.code,
        "use": use,
        "confidence": CONFIDENCE,
        "suppliers": [_line(one) for one in asked],
        "comparisons": [_pair(pair, by_number) for pair in pairs],
        "rule": words.RULE,
        "holds": words.ONE_LOOK,
        "measuring": words.measuring(said, sorted(groups)),
        "says": words.answer(grade.code, use, asked, pairs),
    }


def _forbidden(grade: Grade, use: str) -> str | None:
    reasons = grade_uses.material(grade).against(use)
    return words.forbidden(grade.code, use, reasons[0].says) if reasons else None


def _candidates(grade: Grade, use: str, said: Details) -> list[Candidate]:
    """Every supplier with a lot of the grade, lots sorted and sent again left out. Eight queries at most."""
    from lots.domain.purchasing.order_cost import RECENT_LOTS
    from lots.services.purchasing.forecast import forecasts_for

    lots = lot_series.lots_of(grade_id=grade.id).originals()
    suppliers, _ = supplies.named(lots)
    each = lots.by([row.supplier_id for row in lots.rows])
    newest = {number: [row.id for row in mine.rows[-RECENT_LOTS:]] for number, mine in each.items()}
    every = [lot for mine in newest.values() for lot in mine]
    paid, read = orders.deliveries_of(every), orders.readings_of(every)
    likely = forecasts_for(use, grade, each)
    made = []
    for number, mine in each.items():
        bought = _bought(mine, set(newest[number]), paid, read)
        verdicts = [(row.uses.get(likely.verdict), row.standing) for row in mine.rows]
        rejected = [standing for accepted, standing in verdicts if accepted is False]
        returned = rejected.count("returned")
        made.append(
            Candidate(
                number,
                suppliers[number].name,
                sum(accepted is not None for accepted, _ in verdicts),
                returned,
                len(rejected) - returned,
                likely.of[number],
                bought,
                bought.measuring_per_kg(said),
            )
        )
    return made


def _bought(lots: LotSeries, newest: set[int], paid: Sequence[Paid], read: Mapping[int, int]) -> Bought:
    from lots.domain.purchasing.order_cost import RECENT_PRICES

    mine = [one for one in paid if one.lot_id in newest]
    costed = [
        (one.now.cost / one.mass_g * 1000, one.now.currency)
        for one in mine
        if one.now.cost is not None and one.now.currency is not None and one.mass_g > 0
    ]
    currency = costed[-1][1] if costed else None
    prices = [price for price, in_ in costed if in_ == currency][-RECENT_PRICES:]
    inspected = {row.id for row in lots.rows if row.id in newest and row.accepted is not None}
    readings, kg = sum(read.get(lot, 0) for lot in inspected), sum(o.mass_g for o in mine if o.lot_id in inspected) / 1000
    days = [(one.now.received_at - one.now.ordered_at).total_seconds() / 86400 for one in mine if one.now.ordered_at]
    per_lot = readings / len(inspected) if inspected else None
    return Bought(prices, currency, per_lot, readings / kg if kg else None, [day for day in days if day >= 0])


def _costed(asked: Sequence[Candidate], forbidden: str | None, grade: Grade, use: str) -> list[Candidate]:
    """The same with what a usable kilogram costs; the draws are seeded by whose lots they are, so that asking again answers the same."""
    import numpy as np

    from lots.domain.purchasing.order_cost import order_cost, price_scatter

    prices: dict[str | None, dict[int, Sequence[float]]] = {}
    for one in asked:
        if one.bought.currency is not None:
            prices.setdefault(one.bought.currency, {})[one.number] = one.bought.prices
    scatters = {currency: price_scatter(paid) for currency, paid in prices.items()}
    made = []
    for one in asked:
        why = forbidden or words.missing(one, use)
        offer = None if why else _offer(one)
        cost = None
        if offer is not None:
            seed = f"order:{one.number}:{grade.id}:{use}:{one.inspected}"
            chance = np.random.default_rng(list(hashlib.sha256(seed.encode()).digest()))
            cost = order_cost(offer, scatters[one.bought.currency], chance, CONFIDENCE)
            why = None if cost else words.too_few_usable(one)
        made.append(replace(one, cost=cost, why=why))
    return made


def _offer(one: Candidate) -> Offer | None:
    from lots.domain.purchasing.order_cost import Offer

    draws = one.likely.draws
    if draws is None:
        return None
    return Offer(
        one.bought.prices,
        draws.usable,
        draws.at_best,
        one.measuring or 0.0,
        one.returned,
        one.kept,
        draws.unchanged,
    )


def _order(one: Candidate) -> tuple[bool, str, float, str]:
    """Those whose cost can be told first, by currency, the least first."""
    return one.cost is None, one.bought.currency or "", one.cost.expected if one.cost else 0.0, one.name


def _line(one: Candidate) -> View:
    cost, ends, likely = one.cost, one.cost and one.cost.interval, one.likely
    return {
        "supplier_id": one.number,
        "supplier": one.name,
        "price_per_kg": sum(one.bought.prices) / len(one.bought.prices) if one.bought.prices else None,
        "latest_price_per_kg": one.bought.prices[-1] if one.bought.prices else None,
        "currency": one.bought.currency,
        "deliveries": len(one.bought.prices),
        "probability_usable": likely.probability,
        "probability_low": likely.interval and likely.interval.low,
        "probability_high": likely.interval and likely.interval.high,
        "n": one.inspected,
        "rejected_returned": one.returned,
        "rejected_kept": one.kept,
        "readings_per_lot": one.bought.readings_per_lot,
        "measuring_per_kg": one.measuring,
        "expected_cost_per_usable_kg": cost and cost.expected,
        "low": ends and ends.low,
        "high": ends and ends.high,
        "by_likely_change": cost and cost.by_change,
        "lead_days": median(one.bought.lead_days) if one.bought.lead_days else None,
        "deliveries_with_lead_time": len(one.bought.lead_days),
        "why": one.why,
        "says": words.supplier(one),
    }


def _pair(pair: CostDifference, asked: Mapping[int, Candidate]) -> View:
    cheaper = {1: pair.first, 2: pair.second}.get(pair.cheaper or 0)
    return {
        "first_supplier_id": pair.first,
        "second_supplier_id": pair.second,
        "currency": asked[pair.first].bought.currency,
        "difference": pair.difference,
        "low": pair.interval and pair.interval.low,
        "high": pair.interval and pair.interval.high,
        "confidence": pair.interval and pair.interval.confidence,
        "cheaper_supplier_id": cheaper,
        "says": words.difference(pair, asked),
    }
