"""Cost of a usable kilogram of the next order. Sources: simulated purchases until a lot is usable, scipy's beta and Student's t, laws."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from scipy.stats import t as student

from lots.domain.purchasing.order_cost import (
    LEAST_FREEDOM,
    LEAST_USABLE,
    Offer,
    differences,
    order_cost,
    per_usable_kg,
    price_scatter,
)
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

SETTINGS = examples(60)
STEADY_PRICE = [20.0] * 5
SIZE = 20_000
MONEY = st.floats(0.1, 500.0)
SHARES = st.floats(0.1, 1.0)


def drawn(good: int, bad: int, seed: int = 1, size: int = SIZE) -> np.ndarray:
    """Probabilities that fit so many verdicts, by Jeffreys' prior."""
    return np.random.default_rng(seed).beta(good + 0.5, bad + 0.5, size)


def offer(good: int, bad: int, prices=STEADY_PRICE, measuring: float = 0.0, returned: int = 0, kept: int = 9) -> Offer:
    """The offer of a supplier with this many usable and rejected lots."""
    usable, mean = drawn(good, bad), beta(good + 0.5, bad + 0.5).mean()
    return Offer(prices, mean, usable, usable if bad else np.ones(SIZE), measuring, returned, kept)


def cost(one: Offer, scatter=(0.0, 9), seed: int = 3):
    """Its cost, with draws of one seed."""
    return order_cost(one, scatter, np.random.default_rng(seed))


@pytest.mark.parametrize(("usable", "lost"), [(0.9, 1.0), (0.6, 0.0), (0.5, 0.4), (1.0, 0.7)])
def test_it_is_what_buying_lots_until_one_is_usable_costs(usable, lost):
    """Lots of 10 kg at 20 a kg with 5 of measuring each, bought one by one: the mean over many purchases, within four standard errors."""
    rng, paid = np.random.default_rng(5), []
    for _ in range(20_000):
        money = 0.0
        while True:
            money += 5.0
            if rng.random() < usable:
                break
            money += 200.0 * (rng.random() < lost)
        paid.append((money + 200.0) / 10)
    error = np.std(paid) / np.sqrt(len(paid))
    assert pytest.approx(np.mean(paid), abs=4 * error + 1e-9) == per_usable_kg(20.0, 0.5, usable, lost)


def test_where_every_rejected_lot_is_lost_it_is_price_and_measuring_over_the_probability():
    """(20 + 1) / 0.7 = 30."""
    assert pytest.approx(30.0, rel=SAME_FORMULA) == per_usable_kg(20.0, 1.0, 0.7, 1.0)


@pytest.mark.parametrize(("good", "bad"), [(18, 2), (9, 3), (40, 0), (2, 0)])
def test_the_interval_is_the_cost_at_the_quantiles_of_the_probability(good, bad):
    """With a constant price and no returns, only the probability is unknown: quantiles of the beta distribution (scipy)."""
    found = cost(offer(good, bad, measuring=1.0, kept=10**9))
    posterior = beta(good + 0.5, bad + 0.5)
    ends = [21.0 / p for p in (posterior.ppf(0.975) if bad else 1.0, posterior.ppf(0.025))]
    assert pytest.approx(ends, rel=0.03) == [found.interval.low, found.interval.high]
    assert pytest.approx(21.0 / posterior.mean(), rel=SAME_FORMULA) == found.expected


def test_the_interval_of_the_price_is_students():
    """Where every lot is usable, only the price is unknown: mean and Student's interval over five deliveries (scipy)."""
    prices = [19.0, 21.0, 20.5, 19.5, 22.0]
    sure = np.ones(200_000)
    found = cost(Offer(prices, 1.0, sure, sure, 0.0, 0, 0))
    half = student.ppf(0.975, 4) * np.std(prices, ddof=1) / np.sqrt(5)
    assert pytest.approx(np.mean(prices), rel=SAME_FORMULA) == found.expected
    assert pytest.approx([20.4 - half, 20.4 + half], rel=0.01) == [found.interval.low, found.interval.high]


def test_one_price_has_the_scatter_of_the_other_suppliers():
    """A single delivery uses the pooled spread of all prices, 10 % here, with its degrees of freedom."""
    sure = np.ones(200_000)
    found = cost(Offer([20.0], 1.0, sure, sure, 0.0, 0, 0), (0.1, 12))
    assert pytest.approx(20 + 2 * student.ppf(0.975, 12), rel=0.01) == found.interval.high


def test_without_scatter_there_is_an_expected_cost_and_no_interval():
    """Two prices and no other supplier: the cost is stated, the interval is not, and no difference is significant."""
    alone = cost(offer(20, 1, [19.0, 21.0]), None)
    assert (None, 0, 0) == (alone.interval, len(alone.draws), len(alone.at_best))
    assert alone.expected > 20
    (pair,) = differences([{1: alone, 2: cost(offer(5, 20))}])
    assert (None, None) == (pair.interval, pair.cheaper)


def test_scatter_takes_degrees_of_freedom():
    """The root mean square of relative deviations; None below LEAST_FREEDOM."""
    assert price_scatter({1: [18.0, 22.0], 2: [9.0, 11.0]}) is None
    sd, freedom = price_scatter({1: [18.0, 22.0], 2: [9.0, 11.0], 3: [30.0, 30.0]})
    assert (pytest.approx(np.sqrt(0.04 / 3), rel=SAME_FORMULA), LEAST_FREEDOM) == (sd, freedom)


@pytest.mark.parametrize(("good", "bad"), [(0, 3), (1, 1), (1, 20), (0, 1)])
def test_near_zero_nothing_is_told(good, bad):
    """Where less than one lot in twenty may be usable no cost is stated (2.5 % quantile of beta below 0.05 or about it)."""
    told, found = beta(good + 0.5, bad + 0.5).ppf(0.025) >= LEAST_USABLE, cost(offer(good, bad))
    assert told == (found.expected is not None) == (found.interval is not None)


def test_a_cost_without_bound_may_still_be_more():
    """One usable lot of twenty has an unbounded cost, significantly above twenty of twenty; two such suppliers do not differ."""
    rare, good = cost(offer(1, 19)), cost(offer(20, 0), seed=4)
    found = {
        (pair.first, pair.second): pair for pair in differences([{1: rare, 2: good, 3: cost(offer(0, 20), seed=5)}])
    }
    assert {(1, 2): 2, (1, 3): None, (2, 3): 1} == {which: pair.cheaper for which, pair in found.items()}
    assert (None, None) == (found[1, 2].difference, found[1, 2].interval)


def test_two_of_two_lots_are_told_with_a_wide_interval():
    """A newcomer: between the price itself and 20 / 0.33 (quantile of beta 2.5, 0.5 from scipy)."""
    found = cost(offer(2, 0, kept=10**9))
    assert 20.0 == found.interval.low
    assert pytest.approx(20 / beta(2.5, 0.5).ppf(0.025), rel=0.05) == found.interval.high


@SETTINGS
@given(price=MONEY, more=st.floats(0, 100), measuring=st.floats(0, 50), usable=SHARES, lost=st.floats(0, 1))
def test_a_higher_price_never_lowers_it(price, more, measuring, usable, lost):
    """Law: neither the formula nor the expected cost of an offer decreases when a price increases."""
    assert per_usable_kg(price + more, measuring, usable, lost) >= per_usable_kg(price, measuring, usable, lost)
    draws = np.full(100, usable)
    low = Offer([price, price], usable, draws, draws, measuring, 1, 1)
    high = replace(low, prices=[price, price + more])
    assert cost(high).expected >= cost(low).expected


@SETTINGS
@given(
    good=st.integers(1, 40),
    returned=st.integers(0, 10),
    kept=st.integers(0, 10),
    sent_back=st.booleans(),
    measuring=st.floats(0, 50),
)
def test_a_further_rejected_lot_never_lowers_it(good, returned, kept, sent_back, measuring):
    """Law: returned or kept, one more rejected lot raises the cost of a usable kilogram (exact means of Jeffreys' posterior)."""

    def expected(returned: int, kept: int) -> float:
        bad = returned + kept
        mean = (good + 0.5) / (good + bad + 1)
        return Offer([20.0], mean, np.empty(0), np.empty(0), measuring, returned, kept).expected_at(mean)

    more = expected(returned + sent_back, kept + (not sent_back))
    assert more >= expected(returned, kept)


@SETTINGS
@given(usable=st.floats(0.1, 0.9), more=st.floats(0, 0.1), lost=st.floats(0, 1), measuring=st.floats(0, 50))
def test_a_likelier_lot_never_raises_it(usable, more, lost, measuring):
    """Law: the cost decreases as the probability increases, and is never below price and measuring."""
    better, worse = (per_usable_kg(20.0, measuring, p, lost) for p in (usable + more, usable))
    assert 20 + measuring - 1e-9 <= better <= worse


def test_what_a_likely_change_adds_is_told_apart():
    """For a supplier with 90 % usable lots before a change and 60 % now: 20 / 0.6 minus 20 / 0.9."""
    draws = np.full(1000, 0.6)
    one = Offer(STEADY_PRICE, 0.6, draws, draws, 0.0, 0, 10**9, unchanged=0.9)
    assert pytest.approx(20 / 0.6 - 20 / 0.9, rel=1e-6) == cost(one).by_change
    assert cost(replace(one, unchanged=None)).by_change is None


def test_suppliers_far_apart_differ_significantly_and_suppliers_alike_do_not():
    """Twenty lots of twenty usable against ten of twenty; the interval of the difference is at 1 - 0.05 / 3 for three pairs."""
    costs = {1: cost(offer(10, 10)), 2: cost(offer(20, 0), seed=4), 3: cost(offer(19, 1), seed=5)}
    found = {(pair.first, pair.second): pair for pair in differences([costs])}
    assert {(1, 2): 2, (1, 3): 2, (2, 3): None} == {which: pair.cheaper for which, pair in found.items()}
    assert pytest.approx(1 - 0.05 / 3, rel=SAME_FORMULA) == found[1, 2].interval.confidence
    assert found[1, 2].interval.low < found[1, 2].difference < found[1, 2].interval.high


def test_currencies_are_not_compared():
    """Pairs within each currency only; the confidence includes all of them."""
    one = cost(offer(20, 1))
    pairs = differences([{1: one, 4: one}, {2: one, 3: one}])
    assert [(1, 4), (2, 3)] == [(pair.first, pair.second) for pair in pairs]
    assert [pytest.approx(0.975)] * 2 == [pair.interval.confidence for pair in pairs]


@pytest.mark.parametrize(("returned", "kept"), [(0, 0), (3, 1), (2, 8)])
def test_what_rejected_lots_cost_follows_the_record(returned, kept):
    """With every other lot usable and one price, only the share kept is unknown: quantiles of beta with Jeffreys' prior (scipy)."""
    half = np.full(200_000, 0.5)
    found, record = cost(Offer([20.0] * 5, 0.5, half, half, 0.0, returned, kept)), beta(kept + 0.5, returned + 0.5)
    assert pytest.approx(20 + 20 * record.mean(), rel=SAME_FORMULA) == found.expected
    ends = [20 + 20 * record.ppf(tail) for tail in (0.025, 0.975)]
    assert pytest.approx(ends, abs=0.1) == [found.interval.low, found.interval.high]


def test_costs_that_are_equal_to_the_last_digit_do_not_differ():
    """Two suppliers with known costs: 20 and 20 do not differ, 20.5 and 20 do."""
    sure = np.ones(1000)
    one, other = (cost(Offer([price] * 5, 1.0, sure, sure, 0.0, 0, 0)) for price in (20.0, 20.5))
    assert [None, 2, 2] == [
        pair.cheaper for pair in differences([{1: one, 2: one}, {1: other, 2: one}, {3: other, 4: one}])
    ]


def test_filament_for_nothing_costs_its_measuring():
    """Prices of 0 have no spread."""
    half = np.full(1000, 0.5)
    found = cost(Offer([0.0] * 5, 0.5, half, half, 1.0, 0, 0))
    assert (0.0, 4) == price_scatter({1: [0.0] * 5})
    assert [2.0] * 3 == [found.expected, found.interval.low, found.interval.high]
