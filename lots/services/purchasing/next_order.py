"""Purchasing: the supplier for the next order of a grade, by the expected cost per usable kilogram for a use."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from lots.domain.assessment.limits_revision import Limits, limits_from, verdict_on_use
from lots.domain.drift.lot_series import LotSeries
from lots.services.drift import series
from lots.services.instruments.instrument_changes import Bridges, bridges
from lots.services.lookups import found
from lots.services.purchasing import next_order_words as words
from lots.services.purchasing import supplies
from lots.services.purchasing.forecast import FORETOLD, Asked, foreseen, histories_of, shade_of
from lots.services.setup import grade_uses, shop
from lots.services.setup.shop import Details
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.purchasing import orders
from lots.store.purchasing.orders import Paid
from lots.store.tables.models import Grade, LimitsRevision

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.purchasing.forecast import Forecast
    from lots.domain.purchasing.order_cost import CostDifference, Offer, OrderCost

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Bought:
    """Prices, readings and lead times of a supplier's newest lots, in the currency of its newest price.

    Args:
        prices: price per kg of the newest deliveries with a cost, oldest first.
        currency: of the prices; None without one.
        readings_per_lot: of inspected lots; None without one.
        readings_per_kg: of inspected lots; None without one.
        lead_days: days from order to delivery, if both were recorded.
    """

    prices: Sequence[float]
    currency: str | None
    readings_per_lot: float | None
    readings_per_kg: float | None
    lead_days: Sequence[float]

    def measuring_per_kg(self, said: Details) -> float | None:
        """Returns the cost of measuring per kg; None if unknown, or not in the currency of the prices."""
        if self.readings_per_kg is None or said.bench_cost_per_h is None or said.bench_currency != self.currency:
            return None
        return self.readings_per_kg * said.minutes_per_reading / 60 * said.bench_cost_per_h


@dataclass(frozen=True, slots=True)
class Asking:
    """The grade to order, its limits and the use. `verdict` is the name under which lots have a verdict on that use."""

    grade: Grade
    limits: LimitsRevision | None
    agreed: Limits | None
    use: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Likely:
    """The forecast of a supplier's next lot, and its probability without a suspected change; None if no change is suspected."""

    seen: Forecast
    unchanged: float | None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A supplier of the grade, with its cost per usable kilogram, or with `why` that is unknown.

    `cost` has no expected cost if too few lots may be usable. `inspected` counts the lots whose inspection for the use is complete, `returned` and
    `kept` the rejected ones among them.
    """

    number: int
    name: str
    inspected: int
    returned: int
    kept: int
    likely: Likely
    bought: Bought
    measuring: float | None
    cost: OrderCost | None = None
    why: str | None = None


def next_order(grade_id: int, use: str) -> View:
    """Returns the suppliers of a grade by cost per usable kilogram for a use, and whether their differences are significant.

    At most eleven queries.

    Args:
        grade_id: the grade to order.
        use: the intended use, one of USES or GENERAL.

    Raises:
        NotFound: no such grade.
    """
    from lots.domain.purchasing.order_cost import differences

    grade, said = found("grade", grade_id), shop.details()
    limits = store.newest_limits([grade.id]).get(grade.id)
    agreed = limits_from(limits.body) if limits else None
    verdict = _verdict(agreed, use)
    about = Asking(grade, limits, agreed, use, verdict or use)
    why = _forbidden(grade, use) or (words.not_covered(grade.code, use) if verdict is None else None)
    asked = _costed(_candidates(about, said), about, why)
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
    return next((one.says for one in grade_uses.material(grade).against(use)), None)


def _candidates(about: Asking, said: Details) -> list[Candidate]:
    """Returns every supplier of the grade, without resubmitted lots. At most seven queries."""
    from lots.domain.purchasing.order_cost import RECENT_LOTS

    lots = lot_series.lots_of(grade_id=about.grade.id).originals()
    suppliers, _ = supplies.named(lots)
    each = lots.by([row.supplier_id for row in lots.rows])
    newest = {number: [row.id for row in mine.rows[-RECENT_LOTS:]] for number, mine in each.items()}
    every = [lot for mine in newest.values() for lot in mine]
    paid, read = orders.deliveries_of(every), orders.readings_of(every)
    ties, shade = bridges(lots.rows, about.agreed), shade_of(about.grade)
    made = []
    for number, mine in each.items():
        bought = _bought(mine, set(newest[number]), paid, read)
        verdicts = [(row.uses.get(about.verdict), row.standing) for row in mine.rows]
        rejected = [standing for accepted, standing in verdicts if accepted is False]
        returned = rejected.count("returned")
        made.append(
            Candidate(
                number,
                suppliers[number].name,
                sum(accepted is not None for accepted, _ in verdicts),
                returned,
                len(rejected) - returned,
                _likely(Asked(suppliers[number], about.grade, about.limits, shade, about.verdict), mine, ties),
                bought,
                bought.measuring_per_kg(said),
            )
        )
    return made


def _verdict(agreed: Limits | None, use: str) -> str | None:
    """Returns the name under which lots have a verdict on a use; None without one.

    Limits that name no uses give one verdict, for all uses that their blocks cover.
    """
    return verdict_on_use({name: name for name in agreed.required()}, agreed.blocks, use) if agreed else None


def _likely(asked: Asked, lots: LotSeries, ties: Bridges) -> Likely:
    """Returns the forecast of the next lot. If a change is suspected, the probability at a steady level is computed too."""
    from lots.domain.purchasing.next_value import POSSIBLE

    use = asked.use or ""
    cut = {name: series.stretches(lots, name, ties) for name in FORETOLD}
    histories = histories_of({name: parts[-1] for name, parts in cut.items() if parts})
    seen = foreseen(asked, lots, histories).of(use)
    if seen.rate is not None:
        return Likely(seen, seen.rate.unchanged if seen.rate.changed >= POSSIBLE else None)
    followed = {name.partition(".")[0] for name, _ in seen.parts}
    changed = [
        name
        for name, one in histories.items()
        if name.partition(".")[0] in followed
        and one.enough
        and one.outlook.probability("step") + one.outlook.probability("trend") >= POSSIBLE
    ]
    if not changed:
        return Likely(seen, None)
    steady = {**histories, **{name: replace(histories[name], steady=True) for name in changed}}
    return Likely(seen, foreseen(asked, lots, steady).of(use).probability)


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
    readings, kg = (
        sum(read.get(lot, 0) for lot in inspected),
        sum(o.mass_g for o in mine if o.lot_id in inspected) / 1000,
    )
    days = [(one.now.received_at - one.now.ordered_at).total_seconds() / 86400 for one in mine if one.now.ordered_at]
    per_lot = readings / len(inspected) if inspected else None
    return Bought(prices, currency, per_lot, readings / kg if kg else None, [day for day in days if day >= 0])


def _costed(asked: Sequence[Candidate], about: Asking, never: str | None) -> list[Candidate]:
    """Returns the suppliers with their cost per usable kilogram, or the reason why it is unknown.

    `never` is a reason that applies to all suppliers. The random seed depends on supplier, grade, use and lots, so answers are repeatable.
    """
    import numpy as np

    from lots.domain.purchasing.order_cost import order_cost, price_scatter

    prices: dict[str | None, dict[int, Sequence[float]]] = {}
    for one in asked:
        if one.bought.currency is not None:
            prices.setdefault(one.bought.currency, {})[one.number] = one.bought.prices
    scatters = {currency: price_scatter(paid) for currency, paid in prices.items()}
    made = []
    for one in asked:
        why = never or words.missing(one, about.use)
        cost = None
        if why is None:
            seed = f"order:{one.number}:{about.grade.id}:{about.use}:{one.inspected}"
            chance = np.random.default_rng(list(hashlib.sha256(seed.encode()).digest()))
            offer = _offer(one, chance)
            cost = order_cost(offer, scatters[one.bought.currency], chance, CONFIDENCE) if offer else None
            why = words.too_few_usable(one) if cost is None or cost.expected is None else None
        made.append(replace(one, cost=cost, why=why))
    return made


def _offer(one: Candidate, chance: np.random.Generator) -> Offer | None:
    from lots.domain.purchasing.order_cost import Offer

    likely, drawn = one.likely.seen, one.likely.seen.drawn(chance)
    if likely.probability is None or drawn is None:
        return None
    rejected = one.returned, one.kept
    return Offer(one.bought.prices, likely.probability, *drawn, one.measuring or 0.0, *rejected, one.likely.unchanged)


def _order(one: Candidate) -> tuple[bool, str, float, str]:
    """Returns the sort key: suppliers with a known cost first, by currency, the cheapest first."""
    expected = one.cost and one.cost.expected
    return expected is None, one.bought.currency or "", expected or 0.0, one.name


def _line(one: Candidate) -> View:
    from lots.domain.purchasing.order_cost import share_returned

    share = share_returned(one.returned, one.kept)
    cost, ends, likely = one.cost, one.cost and one.cost.interval, one.likely.seen
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
        "share_returned": share,
        "returned_says": words.returned(one, share),
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
