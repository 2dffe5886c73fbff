"""Expected cost per usable kilogram of the next order from a supplier: price, measuring, rejected lots, and a suspected change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from lots.domain.statistics.proportions import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Newest deliveries for the price, and newest lots for measuring and credits. Common practice, no source.
RECENT_PRICES, RECENT_LOTS = 8, 20
# Least degrees of freedom for the spread of prices. Common practice, no source.
LEAST_FREEDOM = 3
# No cost is stated if the share of usable lots may be below this: more than twenty lots per usable one. Common practice, no source.
LEAST_USABLE = 0.05
LEAST_DRAWN = LEAST_USABLE / 10
# Pairings of the draws of two suppliers, for enough draws in the tails of an interval over many pairs.
_PAIRINGS = 20


def share_returned(returned: int, kept: int) -> float:
    """Returns the expected share of rejected lots returned for credit, 0..1: the mean of a beta distribution with Jeffreys' prior.

    Args:
        returned, kept: rejected lots returned for credit, and those not returned.

    Reference:
        Jeffreys' prior of a share: Brown, Cai and DasGupta 2001, Statistical Science 16, 101-133.

    Example:
        >>> share_returned(0, 1), share_returned(0, 0)
        (0.25, 0.5)
    """
    return (returned + 0.5) / (returned + kept + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Offer:
    """Data of a supplier before the next order, for one use and in one currency.

    Args:
        prices: money per kg of its newest deliveries, each >= 0, at least one.
        probability: that its next lot is usable, 0 < p <= 1.
        usable: draws of the present share of usable lots, each 0..1.
        at_best: the same draws where a failure never seen is impossible; `usable` itself where one was seen.
        measuring_per_kg: cost of measuring per kg of a lot, >= 0, taken as known.
        returned, kept: rejected lots returned for credit, and those not returned.
        unchanged: `probability` without the suspected change; None where no change is suspected.
    """

    prices: Sequence[float]
    probability: float
    usable: Array
    at_best: Array
    measuring_per_kg: float
    returned: int
    kept: int
    unchanged: float | None = None

    @property
    def price(self) -> float:
        """Mean price per kg."""
        return float(np.mean(self.prices))

    @property
    def lost(self) -> float:
        """Probability that a rejected lot is not credited."""
        return 1 - share_returned(self.returned, self.kept)

    @property
    def can_be_told(self) -> bool:
        """False where the probability may be so near 0 that the cost of a usable kilogram has no upper limit."""
        return float(np.quantile(self.usable, 0.025)) >= LEAST_USABLE

    def expected_at(self, usable: float) -> float:
        """Returns the expected cost per usable kilogram for this probability of a usable lot."""
        return float(per_usable_kg(self.price, self.measuring_per_kg, usable, self.lost))


def per_usable_kg(
    price: Array | float, measuring: Array | float, usable: Array | float, lost: Array | float
) -> Array | float:
    """Returns the cost of a usable kilogram, in the money of the price.

    Lots are bought and measured until one is usable, so (1 - p) / p lots are rejected for each usable one. Each of them costs its measuring. A
    returned lot costs no more, since its price is credited. A kept one (scrap, blocked or for another use) also costs its price. If every
    rejected lot is kept, the result is (price + measuring) / p.

    Args:
        price: money per kg, >= 0.
        measuring: money per kg, >= 0.
        usable: probability p that a lot is usable, 0 < p <= 1.
        lost: share of rejected lots that are kept, 0..1.

    Notes:
        This equals the expected net cost of the next lot over its expected usable kilograms.

    Example:
        >>> round(per_usable_kg(20.0, 1.0, 0.75, 1.0), 2), round(per_usable_kg(20.0, 1.0, 0.75, 0.0), 2)
        (28.0, 21.33)
    """
    rejected = (1 - np.asarray(usable)) / usable
    found = price + measuring / np.asarray(usable) + price * lost * rejected
    return found if isinstance(usable, np.ndarray) else float(found)


@dataclass(frozen=True, slots=True, eq=False)
class OrderCost:
    """Expected cost of a usable kilogram of the next order, in the money of its prices.

    Args:
        expected: from the mean price, the probability and the mean share of rejected lots that are kept. None where too few lots may be usable.
        interval: 95 % of the draws; None without `expected`, and where the spread of prices is unknown.
        by_change: part of `expected` from a suspected change; negative for a saving. None where no change is suspected.
        draws, at_best: of the cost, from `usable` and `at_best` of the offer; empty where the spread of prices is unknown.
    """

    expected: float | None
    interval: Interval | None
    by_change: float | None
    draws: Array
    at_best: Array


def price_scatter(prices: Mapping[int, Sequence[float]]) -> tuple[float, int] | None:
    """Returns the relative standard deviation of prices within suppliers, pooled, and its degrees of freedom.

    Args:
        prices: money per kg in one currency, by supplier.

    Returns:
        None with fewer than LEAST_FREEDOM degrees of freedom, where the spread of prices is unknown.

    Example:
        >>> sd, df = price_scatter({1: [19.0, 21.0], 2: [40.0, 40.0, 40.0], 3: [30.0]})
        >>> round(sd, 4), df
        (0.0408, 3)
        >>> price_scatter({1: [19.0, 21.0]}) is None
        True
    """
    freedom, squares = 0, 0.0
    for paid in prices.values():
        mean = float(np.mean(paid))
        freedom += len(paid) - 1
        squares += sum((price / mean - 1) ** 2 for price in paid) if mean else 0.0
    return (float(np.sqrt(squares / freedom)), freedom) if freedom >= LEAST_FREEDOM else None


def order_cost(
    offer: Offer, scatter: tuple[float, int] | None, chance: np.random.Generator, confidence: float = 0.95
) -> OrderCost:
    """Returns the cost of a usable kilogram of the next order.

    Args:
        offer: of the supplier.
        scatter: pooled relative standard deviation of prices and its degrees of freedom; None if unknown. A supplier with enough prices has
            its own.
        chance: source of the draws; the same seed gives the same result.
        confidence: of the interval.

    Notes:
        Price, probability and share kept are drawn independently. The price is the mean level of the newest deliveries (Student's t); a future
        price change is not predicted. `expected` is the expected money over the expected usable kilograms of the next lot. The mean of 1 / p
        is not used: for a beta distribution with parameters a and b it is (a + b - 1) / (a - 1), infinite for a <= 1. Where the 2.5 %
        quantile of the share of usable lots is below LEAST_USABLE, no cost is stated. A draw counts as at least LEAST_DRAWN, which can only make
        a supplier look cheaper.

        Where no lot ever failed, the probability counts as 1 at the low end, as in the forecast's interval. The interval covers the true cost
        for 96 to 98 % of suppliers with known price and acceptance (simulated in tests/domain/purchasing/test_order_cost_rates.py).

    Reference:
        Renewal reward: Ross, Introduction to Probability Models, 7.4 (from memory). Jeffreys' prior of a share: Brown, Cai and DasGupta 2001,
        Statistical Science 16, 101-133. Combination of independent draws: JCGM 101 (Monte Carlo).

    Example:
        >>> sure = np.full(1000, 0.8)
        >>> found = order_cost(Offer([20.0] * 4, 0.8, sure, sure, 0.4, 0, 9), None, np.random.default_rng(1))
        >>> round(found.expected, 2), round(found.interval.low, 1), round(found.interval.high, 1)
        (25.25, 24.2, 25.5)
    """
    expected = offer.expected_at(offer.probability) if offer.can_be_told else None
    by_change = None
    if expected is not None and offer.unchanged is not None:
        by_change = expected - offer.expected_at(offer.unchanged)
    own = price_scatter({0: offer.prices}) or scatter
    if own is None:
        return OrderCost(expected, None, by_change, np.empty(0), np.empty(0))
    sd, freedom = own
    size = len(offer.usable)
    apart = sd / np.sqrt(len(offer.prices)) * chance.standard_t(freedom, size)
    price = offer.price * np.maximum(0.0, 1 + apart)
    lost = chance.beta(offer.kept + 0.5, offer.returned + 0.5, size)
    draws, at_best = (
        np.asarray(per_usable_kg(price, offer.measuring_per_kg, np.maximum(usable, LEAST_DRAWN), lost))
        for usable in (offer.usable, offer.at_best)
    )
    tail = (1 - confidence) / 2
    low, high = float(np.quantile(at_best, tail)), float(np.quantile(draws, 1 - tail))
    interval = None if expected is None else Interval(low, high, confidence)
    return OrderCost(expected, interval, by_change, draws, at_best)


@dataclass(frozen=True, slots=True)
class CostDifference:
    """Difference in the cost of a usable kilogram, first supplier minus second.

    `cheaper` is 1 or 2 where the interval excludes 0, else None: no significant difference. `difference` and `interval` are None where those
    of either cost are. A supplier may still be cheaper than one whose cost has no upper limit.
    """

    first: int
    second: int
    difference: float | None
    interval: Interval | None
    cheaper: int | None


def differences(groups: Sequence[Mapping[int, OrderCost]], confidence: float = 0.95) -> list[CostDifference]:
    """Returns every pair of suppliers of a group, in the order of their numbers.

    Args:
        groups: costs by supplier, one group per currency, since currencies are not compared.
        confidence: probability that no two suppliers of equal cost differ significantly, over all pairs: each interval is at
            1 - (1 - confidence) / pairs (Bonferroni). It holds at a single look. Repeated looks raise the error rate.

    Notes:
        Suppliers are independent, so the draws of one are compared with those of the other in several pairings.
    """
    pairs = [(costs, *pair) for costs in groups for pair in combinations(sorted(costs), 2)]
    tail = (1 - confidence) / max(1, len(pairs)) / 2
    return [_difference(one, two, costs, tail) for costs, one, two in pairs]


def _difference(one: int, two: int, costs: Mapping[int, OrderCost], tail: float) -> CostDifference:
    first, second = costs[one], costs[two]
    gap = None if first.expected is None or second.expected is None else first.expected - second.expected
    if not len(first.draws) or not len(second.draws):
        return CostDifference(one, two, gap, None, None)
    low = float(np.quantile(_apart(first.at_best, second.draws), tail))
    high = float(np.quantile(_apart(first.draws, second.at_best), 1 - tail))
    cheaper = 1 if high < 0 else 2 if low > 0 else None
    if gap is not None:
        return CostDifference(one, two, gap, Interval(low, high, 1 - 2 * tail), cheaper)
    # Of two unknown costs neither is smaller.
    known = cheaper is not None and (first, second)[cheaper - 1].expected is not None
    return CostDifference(one, two, None, None, cheaper if known else None)


def _apart(first: Array, second: Array) -> Array:
    step = max(1, len(second) // _PAIRINGS)
    return np.concatenate([first - np.roll(second, shift) for shift in range(0, len(second), step)])
