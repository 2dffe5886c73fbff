"""Days left of a stock, lead times and lots to order: laws, other implementations, and a simulation with known true values."""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.purchasing.stock_outlook import (
    LEAST_LOTS,
    LEAST_TAKINGS,
    LEAST_WEEKS,
    Days,
    Demand,
    days_left,
    is_short,
    lead_time,
    lots_to_order,
)

MASSES = st.floats(0.01, 50, allow_nan=False)
TAKINGS = st.lists(st.lists(st.floats(0.01, 5), max_size=6), min_size=LEAST_WEEKS, max_size=13)


def demand_of(weeks):
    """Demand from weekly lists of withdrawals, kg."""
    takings = [kg for week in weeks for kg in week]
    return Demand(tuple(sum(week) for week in weeks), len(takings), sum(kg**2 for kg in takings))


@given(TAKINGS, MASSES, MASSES)
def test_more_stock_lasts_longer(weeks, one, more):
    """The mean and both limits of the interval increase with the stock."""
    demand = demand_of(weeks)
    assume(not demand.unknown)
    less, longer = days_left(one, demand), days_left(one + more, demand)
    assert all(a < b for a, b in zip(less, longer, strict=True))
    assert less.low < less.high


@given(TAKINGS, MASSES, st.floats(0.1, 10))
def test_the_unit_of_mass_does_not_matter(weeks, stock, factor):
    """Stock and withdrawals in another unit last the same days."""
    demand = demand_of(weeks)
    assume(not demand.unknown)
    scaled = demand_of([[kg * factor for kg in week] for week in weeks])
    assert pytest.approx(days_left(stock, demand), rel=1e-6) == days_left(stock * factor, scaled)


def test_each_end_is_a_quantile_of_f():
    """At the lower end 97.5 % of future demands are within the stock, at the upper end 2.5 %, by the F distribution of scipy.stats."""
    weeks = [[0.4, 0.3], [0.9], [0.2, 0.2, 0.2], [1.1], [], [0.5, 0.6], [0.7], [0.8, 0.1]]
    demand, stock = demand_of(weeks), 6.0
    sums = np.array(demand.weeks)
    variance = max(sums.var(ddof=1), demand.squares / len(sums))
    freedom = len(sums) - 1 if sums.var(ddof=1) > demand.squares / len(sums) else demand.takings - 1
    shape = sums.mean() ** 2 / (variance * (stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)) ** 2)
    found = days_left(stock, demand)
    within = [
        stats.f.cdf(stock / h / sums.mean(), 2 * h * shape, 2 * len(sums) * shape)
        for h in (found.low / 7, found.high / 7)
    ]
    assert pytest.approx([0.975, 0.025], abs=1e-6) == within
    assert pytest.approx(7 * stock / sums.mean()) == found.mean


@pytest.mark.parametrize(
    ("weeks", "says"),
    [
        ([[1.0]] * (LEAST_WEEKS - 1), f"from {LEAST_WEEKS} weeks of loads on"),
        ([], f"from {LEAST_WEEKS} weeks of loads on"),
        ([[]] * 13, "No filament was used in the last 13 weeks."),
        ([[1.0]] * (LEAST_TAKINGS - 1) + [[]] * 9, f"from {LEAST_TAKINGS} loads on"),
    ],
)
def test_too_little_says_nothing(weeks, says):
    """Too few weeks or loads give no days left, with the reason."""
    demand = demand_of(weeks)
    assert days_left(5.0, demand) is None
    assert says in demand.unknown


def test_an_empty_shelf_lasts_no_day():
    """An empty shelf has 0 days left, without an interval."""
    assert Days(0, 0, 0) == days_left(0.0, demand_of([[1.0]] * 8))


@given(st.lists(st.floats(0, 400), min_size=LEAST_LOTS, max_size=60))
def test_quantiles_are_those_of_another_implementation(days):
    """Median and 90 % quantile are those of numpy's method of the same definition."""
    found = lead_time(days, [])
    assert pytest.approx(np.quantile(days, [0.5, 0.9], method="weibull").tolist()) == [found.median, found.most]


def test_lead_time_begins_at_receipt_where_orders_are_not_recorded():
    """Four lots with an order date are too few, so all seven count from receipt, and the result says so."""
    found = lead_time([20.0] * 4, [3.0] * 7)
    assert (7, "receipt", 3.0) == (found.n, found.begins, found.most)
    assert (None, None) == (lead_time([20.0] * 4, [3.0] * 4).median, lead_time([20.0] * 4, [3.0] * 4).most)


@given(st.integers(LEAST_LOTS, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_so_many_lots_and_no_fewer_make_one_accepted_likely(counts):
    """The stated number of lots reaches 90 %, and one less does not."""
    accepted, inspected = counts
    p, lots = (accepted + 1) / (inspected + 2), lots_to_order(accepted, inspected)
    assert 1 - (1 - p) ** lots >= 0.9 - 1e-9
    assert lots == 1 or 1 - (1 - p) ** (lots - 1) < 0.9


@given(MASSES, st.floats(0.1, 300), st.floats(0.1, 300))
def test_a_longer_lead_time_never_ends_a_shortage(stock, lead, more):
    """A longer lead time never ends a shortage."""
    days = Days(60, 30, 120)
    assert is_short(days, stock, 1.0, lead + more) or not is_short(days, stock, 1.0, lead)


@pytest.mark.slow
@pytest.mark.parametrize("weeks", [LEAST_WEEKS, 13])
@pytest.mark.parametrize("per_week", [1.5, 4, 15])
@pytest.mark.parametrize("uneven", [False, True])
@pytest.mark.parametrize("lasts", [1.5, 4, 15])
def test_the_interval_holds_the_truth_as_often_as_promised(weeks, per_week, uneven, lasts):
    """Of 1,500 shops with random, steady or wavy jobs, 90 to 99 % run out within their 95 % interval."""
    chance = np.random.default_rng([weeks, int(10 * per_week), uneven, int(10 * lasts)])

    def week():
        rate = per_week * (chance.gamma(3, 1 / 3) if uneven else 1)
        return chance.gamma(2, 0.3, chance.poisson(rate))

    held, told = 0, 0
    for _ in range(1500):
        demand, stock = demand_of([week().tolist() for _ in range(weeks)]), 0.6 * per_week * lasts
        if (found := days_left(stock, demand)) is None:
            continue
        told += 1
        held += found.low <= 7 * runs_out(stock, week, chance) <= found.high
    assert told > 750
    low, high = stats.binomtest(held, told).proportion_ci(0.999)
    assert 0.90 <= high
    assert low <= 0.99
    assert 0.90 <= held / told <= 0.99


def runs_out(stock, week, chance):
    """Weeks until a stock is used up, with jobs at any time within a week."""
    left, passed = stock, 0
    while True:
        takings = week()
        if takings.sum() >= left:
            moments = np.sort(chance.random(len(takings)))
            return passed + moments[np.searchsorted(takings.cumsum(), left)]
        left, passed = left - takings.sum(), passed + 1


def test_the_variance_is_at_least_that_of_random_jobs():
    """Equal weeks give no certainty, because the interval is at least that of a compound Poisson process."""
    alike = demand_of([[0.5, 0.5]] * 13)
    found = days_left(5.0, alike)
    assert found.high - found.low > 7
    assert math.isclose(35.0, found.mean)
