"""Confidence sequences against brute force, numerical integration and Ville's inequality; no closed form is tested against itself."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import betaln, xlog1py, xlogy
from scipy.stats import nct, norm
from scipy.stats import t as student

from lots.domain.statistics.confidence_sequences import (
    SPREAD_OF_MEANS,
    SPREAD_OF_PROPORTIONS,
    difference_of_means,
    means_differ_by,
    more_lots_until_proportions_differ,
    more_values_until_means_differ,
    proportions_differ_by,
    sample_of,
)
from lots.domain.statistics.proportions import Stratum, difference
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import DIVIDED_EVIDENCE, GRID_SEARCH, INTEGRATED, SAME_FORMULA

SETTINGS = examples(60)
# Mean colour differences of ten lots, and of ten further off: any would do.
FIRST = [0.52, 0.61, 0.43, 0.55, 0.70, 0.38, 0.49, 0.57, 0.46, 0.62]
SECOND = [0.95, 0.81, 1.10, 0.72, 0.99, 0.88, 1.21, 0.78, 0.91, 1.03]
VALUES = st.lists(steps(-1.0, 1.0, 0.05), min_size=4, max_size=20).filter(lambda values: len(set(values)) > 2)


def evidence(values, mean: float) -> float:
    """The Bayes factor of the one-sample t test against a mean: noncentral t over normal effects, by numerical integration (Gonen et al. 2005)."""
    n = len(values)
    t = (np.mean(values) - mean) / (np.std(values, ddof=1) / math.sqrt(n))

    effects = np.linspace(-5, 5, 201)
    parts = nct.pdf(t, n - 1, effects * math.sqrt(n)) * norm.pdf(effects, scale=math.sqrt(SPREAD_OF_MEANS))
    return np.trapezoid(parts, effects) / student.pdf(t, n - 1)


@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_means_not_ruled_out_are_those_whose_bayes_factors_are_small(confidence):
    """At the limits the product of both Bayes factors, integrated numerically, is 1 / (1 - confidence) for the best pair of means."""
    found = means_differ_by(sample_of([FIRST]), sample_of([SECOND]), confidence)
    for end in (found.low, found.high):
        # Of all pairs of means that differ by the end the best one touches the border.
        def both(mean: float, end=end) -> float:
            return evidence(FIRST, mean) * evidence(SECOND, mean - end)

        near = min(np.linspace(min(FIRST) - 0.6, max(SECOND) + 0.6, 30), key=both)
        least = minimize_scalar(both, bounds=(near - 0.1, near + 0.1), method="bounded").fun
        assert pytest.approx(1 / (1 - confidence), rel=DIVIDED_EVIDENCE) == least


def test_strata_are_weighed_as_proportions_are():
    """Means of strata have weights n1 n2 / (n1 + n2), and the interval lies about that difference."""
    one, two = sample_of([FIRST, [2.0, 2.1, 1.9, 2.0]]), sample_of([SECOND, [2.4, 2.5, 2.3, 2.4]])
    weights = np.array([10 * 10 / 20, 4 * 4 / 8])
    apart = np.array([np.mean(FIRST) - np.mean(SECOND), -0.4])
    assert pytest.approx(weights @ apart / weights.sum(), abs=SAME_FORMULA) == difference_of_means(one, two)
    found = means_differ_by(one, two)
    assert pytest.approx(weights @ apart / weights.sum(), abs=SAME_FORMULA) == (found.low + found.high) / 2


def test_the_farthest_weighted_mean_over_strata():
    """With two strata the end is the largest over all pairs of deviations: a grid search finds no more, and nearly as much."""
    strata = [[0.1, 0.3, -0.2, 0.0, 0.2, -0.1, 0.4], [1.0, 1.2, 0.9, 1.1, 0.8]]
    side = sample_of(strata)
    found = means_differ_by(side, side, 0.9)
    sizes = np.array(side.sizes)
    weights = sizes / sizes.sum()
    allowed = math.log(10) + np.log1p(SPREAD_OF_MEANS * sizes).sum()
    grid = np.linspace(0, 3, 601)
    a, b = np.meshgrid(grid, grid)
    q0 = side.squares + sizes[0] * a**2 + sizes[1] * b**2
    q1 = side.squares + sum(n * d**2 / (1 + SPREAD_OF_MEANS * n) for n, d in zip(sizes, (a, b), strict=True))
    spent = sizes.sum() / 2 * np.log(q0 / q1)
    reach = np.array([(weights[0] * a + weights[1] * b)[spent <= part].max() for part in np.linspace(0, allowed, 65)])
    farthest = (reach + reach[::-1]).max()
    assert farthest <= found.high + SAME_FORMULA
    assert pytest.approx(found.high, rel=GRID_SEARCH) == farthest


@pytest.mark.parametrize("n", [2, 3, 7])
def test_few_values_say_nothing(n):
    """Three values each give no interval at 95 %, and seven none at a third of 5 %, however far apart."""
    one, two = sample_of([FIRST[:n]]), sample_of([[value + 100 for value in FIRST[:n]]])
    assert None is means_differ_by(one, two, 0.95 if n < 4 else 1 - 0.05 / 3)


def test_no_scatter_says_nothing():
    """Equal values show no spread and give no number of further values."""
    same = [sample_of([[value] * 30]) for value in (0.5, 0.6)]
    assert None is means_differ_by(*same)
    assert None is more_values_until_means_differ(*same, 0.95, 1000)


@SETTINGS
@given(one=VALUES, two=VALUES, factor=st.sampled_from([0.1, 3.0, 40.0]), shift=st.sampled_from([-5.0, 0.7]))
def test_scaling_and_shifting_all_values_scales_the_interval(one, two, factor, shift):
    """Another unit or zero gives the same interval, scaled."""
    before = means_differ_by(sample_of([one]), sample_of([two]), 0.8)
    moved = [sample_of([[factor * value + shift for value in side]]) for side in (one, two)]
    after = means_differ_by(*moved, 0.8)
    if before is None:
        assert after is None
        return
    assert pytest.approx((factor * before.low, factor * before.high), rel=INTEGRATED, abs=INTEGRATED) == (
        after.low,
        after.high,
    )


@SETTINGS
@given(one=VALUES, two=VALUES, seed=st.integers(0, 99))
def test_the_order_of_lots_and_suppliers_changes_nothing(one, two, seed):
    """Shuffled lots give the same interval, exchanged suppliers its mirror."""
    rng = np.random.default_rng(seed)
    found = means_differ_by(sample_of([one]), sample_of([two]), 0.8)
    again = means_differ_by(*(sample_of([rng.permutation(side).tolist()]) for side in (one, two)), 0.8)
    mirrored = means_differ_by(sample_of([two]), sample_of([one]), 0.8)
    if found is None:
        assert again is mirrored is None
        return
    assert pytest.approx((found.low, found.high), abs=INTEGRATED) == (again.low, again.high)
    assert pytest.approx((-found.high, -found.low), abs=INTEGRATED) == (mirrored.low, mirrored.high)


@SETTINGS
@given(values=VALUES, times=st.integers(1, 6))
def test_a_lot_more_of_the_same_never_makes_an_equal_pair_differ(values, times):
    """Suppliers with identical lots never differ, however many."""
    for n in range(1, times + 1):
        same = sample_of([values * n])
        found = means_differ_by(same, same)
        assert found is None or found.low <= 0 <= found.high


@pytest.mark.parametrize("gap", [0.5, 1.0, 2.0])
def test_the_number_of_values_still_needed_is_enough_and_one_less_is_not(gap):
    """With the same means and standard deviations the stated number of further values differs, and one less does not."""
    base = np.array([-1.2, -0.6, 0.1, 0.5, 1.2])

    def going_on(n: int, mean: float):
        values = np.resize(base, n)
        wanted = np.std(base, ddof=1)
        return sample_of([(mean + (values - values.mean()) * wanted / np.std(values, ddof=1)).tolist()])

    more = more_values_until_means_differ(going_on(5, 0.0), going_on(5, gap), 0.95, 1000)
    for added, told in ((more, True), (more - 1, False)):
        found = means_differ_by(going_on(5 + added, 0.0), going_on(5 + added, gap))
        assert told == (found is not None and found.high < 0)
    assert None is more_values_until_means_differ(going_on(5, 0.0), going_on(5, gap), 0.95, more - 1)


# Proportions

RECORD = st.tuples(st.integers(0, 12), st.integers(1, 12)).map(lambda pair: (min(pair), pair[1]))


def weight(x: int, n: int, p: np.ndarray) -> np.ndarray:
    """The logarithm of the evidence against a proportion: beta mixture over binomial likelihood."""
    a, b = SPREAD_OF_PROPORTIONS
    return betaln(x + a, n - x + b) - betaln(a, b) - xlogy(x, p) - xlog1py(n - x, -p)


@SETTINGS
@given(one=RECORD, two=RECORD, confidence=st.sampled_from([0.8, 0.95]))
def test_proportions_not_ruled_out_are_found_by_search(one, two, confidence):
    """The ends are the extreme differences over a grid of proportions whose evidence stays below 1 / (1 - confidence)."""
    found = proportions_differ_by([Stratum(*one, *two)], confidence)
    grid = np.linspace(0, 1, 1001)
    first, second = np.meshgrid(weight(*one, grid), weight(*two, grid), indexing="ij")
    apart = np.subtract.outer(grid, grid)[first + second < -math.log(1 - confidence)]
    assert found.low - SAME_FORMULA <= apart.min() <= found.low + 0.004
    assert found.high - 0.004 <= apart.max() <= found.high + SAME_FORMULA


@SETTINGS
@given(strata=st.lists(st.tuples(RECORD, RECORD), min_size=1, max_size=4))
def test_the_interval_holds_the_difference_and_mirrors(strata):
    """Over any strata the weighted difference lies inside, and exchanged suppliers have the mirrored interval."""
    rows = [Stratum(*one, *two) for one, two in strata]
    found = proportions_differ_by(rows)
    assert found.low <= difference(rows).estimate <= found.high
    mirrored = proportions_differ_by([Stratum(r.x2, r.n2, r.x1, r.n1) for r in rows])
    assert pytest.approx((-found.high, -found.low), abs=SAME_FORMULA) == (mirrored.low, mirrored.high)
    assert found == proportions_differ_by(rows[::-1]) or pytest.approx((found.low, found.high), abs=SAME_FORMULA) == (
        (again := proportions_differ_by(rows[::-1])).low,
        again.high,
    )


@pytest.mark.parametrize("n", [1, 2, 3])
def test_three_lots_each_tell_no_proportions_apart(n):
    """All of three against none of three accepted does not differ at a third of 5 %."""
    found = proportions_differ_by([Stratum(n, n, 0, n)], 1 - 0.05 / 3)
    assert found.low < 0


def test_the_number_of_lots_still_needed_is_enough_and_one_less_is_not():
    """9 of 10 against 5 of 10, continued, differ after the stated number of further lots and not after one less."""
    more = more_lots_until_proportions_differ([Stratum(9, 10, 5, 10)], 0.95, 1000)
    ahead = 10 * math.ceil(more / 10)
    short = 10 * (more // 10 - 1)
    told = [
        proportions_differ_by([Stratum(9 + 9 * n // 10, 10 + n, 5 + n // 2, 10 + n)]).low > 0 for n in (short, ahead)
    ]
    assert [False, True] == told
    assert None is more_lots_until_proportions_differ([Stratum(5, 10, 5, 10)], 0.95, 1000)


def test_evidence_against_the_truth_is_a_martingale():
    """Averaged over the next lot the evidence against the true proportion is constant: exactly, for every record of 6 lots."""
    for p in (0.2, 0.85):
        for n in range(6):
            for x in range(n + 1):
                now = math.exp(weight(x, n, p))
                then = p * math.exp(weight(x + 1, n + 1, p)) + (1 - p) * math.exp(weight(x, n + 1, p))
                assert pytest.approx(now, rel=SAME_FORMULA) == then
