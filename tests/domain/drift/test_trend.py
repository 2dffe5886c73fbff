"""Trend tests. Sources: Nile flow 1871-1970 in the reference file, scipy's kendalltau and theilslopes, a count of every pair; simulation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, kendalltau, norm, theilslopes

from lots.domain.drift import trend
from lots.domain.drift.trend import COMPLETE_UP_TO, MannKendall, mann_kendall, theil_sen
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import PRINTED_10, SAME_FORMULA, SAME_SUM

NILE = reference_json("nile_trend.json")
THOROUGH = examples(200)
# Few different values, so that many are tied, and values that hardly ever are.
TIED = st.lists(steps(0, 1, 0.1), min_size=3, max_size=60)
CONFIDENCE = st.sampled_from((0.5, 0.9, 0.95))
VALUES = st.one_of(TIED, st.lists(numbers(-1e6, 1e6), min_size=3, max_size=60))


def by_pairs(values):
    """S from every pair."""
    signs = np.sign(np.subtract.outer(values, values))
    return int(np.tril(signs).sum())


def test_the_trend_of_the_nile():
    """S, its variance, z with continuity, probability and tau-b (computed; S and tau checked with R's cor.test)."""
    found = mann_kendall(NILE["y"])
    assert (NILE["S"], NILE["n"]) == (found.s, found.n)
    assert pytest.approx(NILE["var_S"], abs=PRINTED_10) == found.variance
    assert pytest.approx(NILE["Z_continuity"], abs=PRINTED_10) == found.z
    assert pytest.approx(NILE["Z_no_continuity"], abs=PRINTED_10) == found.s / math.sqrt(found.variance)
    assert pytest.approx(NILE["p_two_sided_continuity"], rel=SAME_FORMULA) == found.p
    assert pytest.approx(NILE["tau_b"], abs=PRINTED_10) == found.tau


def test_the_slope_of_the_nile():
    """Slope, Sen's interval and intercept (scipy's theilslopes, computed)."""
    found = theil_sen(NILE["y"])
    assert pytest.approx(NILE["theil_sen_slope"], abs=PRINTED_10) == found.slope
    assert pytest.approx(NILE["slope_ci95"], abs=PRINTED_10) == [found.low, found.high]
    assert pytest.approx(NILE["intercept_median_y_minus_slope_median_t"], abs=PRINTED_10) == found.intercept
    assert ("complete", 100, 0.95) == (found.method, found.n, found.confidence)


@THOROUGH
@given(values=VALUES)
def test_s_is_the_count_over_all_pairs(values):
    """Sorting by bits gives the count over every pair, with or without ties."""
    assert by_pairs(values) == mann_kendall(values).s


@pytest.mark.parametrize("levels", [1, 2, 3, 50, 4096, 10**9])
def test_s_of_a_longer_series_is_the_count_over_all_pairs(levels):
    """The count over every pair also holds for 3000 points of few values and of many."""
    values = np.random.default_rng(levels).integers(0, levels, 3000).astype(float)
    assert by_pairs(values) == mann_kendall(values).s


@pytest.mark.parametrize("at_once", [1, 8, 4096])
@pytest.mark.parametrize("n", [3, 1000, 1024, 1025])
def test_how_many_are_moved_at_once_changes_no_count(n, at_once, monkeypatch):
    """Parts of any size, complete or not, give the same count."""
    monkeypatch.setattr(trend, "_AT_ONCE", at_once)
    values = np.random.default_rng(n).integers(0, 4000, n).astype(float)
    assert by_pairs(values) == mann_kendall(values).s


@THOROUGH
@given(values=TIED)
def test_tau_and_variance_are_those_of_scipy(values):
    """tau-b, and the probability without continuity from the variance corrected for ties (scipy's kendalltau)."""
    assume(len(set(values)) > 1)
    found = mann_kendall(values)
    oracle = kendalltau(range(len(values)), values, method="asymptotic")
    assert pytest.approx(oracle.statistic, abs=SAME_FORMULA) == found.tau
    assert pytest.approx(oracle.pvalue, abs=SAME_FORMULA) == math.erfc(abs(found.s) / math.sqrt(2 * found.variance))


@pytest.mark.parametrize("n", [3, 1000, 100_000])
def test_a_rising_series_rises_in_every_pair(n):
    """Sorted values have S = n (n - 1) / 2 and tau 1; reversed ones the opposite."""
    rising = np.arange(n) ** 2.0
    pairs = n * (n - 1) // 2
    assert (pairs, 1.0) == (mann_kendall(rising).s, mann_kendall(rising).tau)
    assert (-pairs, -1.0) == (mann_kendall(-rising).s, mann_kendall(-rising).tau)


def test_equal_values_have_no_trend():
    """With all values tied S, variance, z and tau are zero, and the probability is 1."""
    assert MannKendall(0, 0.0, 0.0, 1.0, 0.0, 4) == mann_kendall([2.0] * 4)


@THOROUGH
@given(values=VALUES)
def test_time_reversed_is_the_trend_reversed(values):
    """A reversed series has the opposite trend with the same probability."""
    found, back = mann_kendall(values), mann_kendall(values[::-1])
    assert (found.s, found.variance, found.p) == (-back.s, back.variance, back.p)


@THOROUGH
@given(values=TIED)
def test_only_order_counts(values):
    """A monotone change of scale keeps the result."""
    assert mann_kendall(values) == mann_kendall([math.exp(value) for value in values])


@pytest.mark.thorough
def test_the_test_keeps_its_promise():
    """Of 4000 series of 20 points without trend at most 5 % have p below 0.05 (exact binomial interval at 99.9 %)."""
    rng = np.random.default_rng(5)
    alarms = sum(mann_kendall(rng.normal(size=20)).p < 0.05 for _ in range(4000))
    assert binomtest(alarms, 4000).proportion_ci(0.999).low <= 0.05


@THOROUGH
@given(values=TIED, confidence=CONFIDENCE)
def test_slopes_are_those_of_scipy(values, confidence):
    """Slope, intercept and interval over even times, with tied values, are those of scipy's theilslopes."""
    agrees_with_scipy(values, None, confidence)


@THOROUGH
@given(times=st.lists(st.integers(0, 30), min_size=3, max_size=60), confidence=CONFIDENCE, seed=st.integers(0, 99))
def test_slopes_over_uneven_times_are_those_of_scipy(times, confidence, seed):
    """The slope over uneven times, some of them equal, is that of scipy's theilslopes."""
    assume(len(set(times)) > 1)
    agrees_with_scipy(np.random.default_rng(seed).normal(size=len(times)).tolist(), times, confidence)


def agrees_with_scipy(values, times, confidence):
    """Compares a result with scipy's, which gives the outermost slopes where the interval would extend beyond them and ours has none."""
    found, oracle = theil_sen(values, times, confidence), theilslopes(values, times, confidence)
    assert pytest.approx((oracle.slope, oracle.intercept), abs=SAME_FORMULA) == (found.slope, found.intercept)
    if found.low is not None:
        assert pytest.approx((oracle.low_slope, oracle.high_slope), abs=SAME_FORMULA) == (found.low, found.high)


@pytest.mark.parametrize(("n", "moments", "levels"), [(60, 2, 40), (60, 3, 5), (60, 8, 8), (10, 3, 3)])
def test_ties_of_both_kinds_widen_the_interval_as_kendall_says(n, moments, levels):
    """With equal times and equal values the ends follow, at any confidence, from the variance of S in scipy's kendalltau."""
    rng = np.random.default_rng(13)
    times, values = rng.integers(0, moments, n) ** 2.0, rng.integers(0, levels, n) ** 1.5
    run, rise = np.subtract.outer(times, times), np.subtract.outer(values, values)
    slopes = np.sort(rise[run > 0] / run[run > 0])
    s = abs(float((np.sign(run) * np.sign(rise)).sum())) / 2
    deviation = s / norm.isf(kendalltau(times, values, method="asymptotic").pvalue / 2)
    for confidence in np.linspace(0.01, 0.8, 400):
        reach = norm.isf((1 - confidence) / 2) * deviation
        low, high = round((len(slopes) - reach) / 2) - 1, round((len(slopes) + reach) / 2)
        found = theil_sen(values, times, float(confidence))
        assert pytest.approx((slopes[low], slopes[high]), abs=SAME_FORMULA) == (found.low, found.high)


@pytest.mark.parametrize(("n", "bounded"), [(3, False), (4, False), (5, True)])
def test_few_points_have_no_interval(n, bounded):
    """Of 4! = 24 orders 2 are monotone, more than 5 %, so four points cannot give 95 %; five can (2 of 120)."""
    found = theil_sen([float(i) for i in range(n)])
    assert (bounded, bounded) == (found.low is not None, found.high is not None)


@pytest.mark.parametrize("n", [50, 1501])
def test_a_line_has_its_own_slope(n):
    """Points on a line give its slope, its intercept and an interval of width 0, by both methods."""
    times = np.arange(n) / 4
    found = theil_sen(7.0 - 0.5 * times, times)
    assert pytest.approx((-0.5, -0.5, -0.5, 7.0), abs=SAME_FORMULA) == (
        found.slope,
        found.low,
        found.high,
        found.intercept,
    )


def test_a_few_wild_points_hardly_matter():
    """A fifth of the points at arbitrary values leaves the slope near the line of the rest."""
    values = np.arange(50.0)
    values[::5] = 1e6
    assert pytest.approx(1.0, abs=SAME_FORMULA) == theil_sen(values).slope


@pytest.mark.parametrize("n", [60, 1500])
def test_the_order_of_the_points_does_not_matter_when_times_are_given(n):
    """Shuffled pairs of time and value give the same result."""
    rng = np.random.default_rng(6)
    times, values = np.arange(n, dtype=float), rng.normal(size=n)
    mixed = rng.permutation(n)
    assert theil_sen(values, times) == theil_sen(values[mixed], times[mixed])


@pytest.mark.parametrize("n", [COMPLETE_UP_TO + 1, 2000])
def test_a_long_series_is_cut_in_half(n):
    """Theil's incomplete method pairs first with second half, without the middle of an odd number; ends by the sign test (scipy's binomial)."""
    values = np.random.default_rng(7).normal(size=n)
    half = n // 2
    slopes = np.sort((values[n - half :] - values[:half]) / (n - half))
    found = theil_sen(values)
    low, high = (int(np.flatnonzero(slopes == end)[0]) for end in (found.low, found.high))
    assert "incomplete" == found.method
    assert pytest.approx(np.median(slopes), abs=SAME_SUM) == found.slope
    # Fewer slopes below the true one than `low` + 1 has at most 2.5 %, one more has more.
    assert binom.cdf(low, half, 0.5) <= 0.025 < binom.cdf(low + 1, half, 0.5)
    assert low == half - 1 - high


def test_the_longest_series_for_all_pairs_takes_them_all():
    """At 1000 points the method is still complete, and its interval is narrower than by halves."""
    values = np.random.default_rng(8).normal(size=COMPLETE_UP_TO + 1)
    whole, cut = theil_sen(values[:COMPLETE_UP_TO]), theil_sen(values)
    assert ("complete", "incomplete") == (whole.method, cut.method)
    assert whole.high - whole.low < cut.high - cut.low


@pytest.mark.parametrize(("n", "runs"), [(12, 2000), (1001, 1000)])
def test_the_interval_holds_the_true_slope_as_often_as_it_says(n, runs):
    """Of many series with a slope of 0.3 the 95 % interval contains it in 95 % or more (exact binomial interval at 99.9 %)."""
    rng = np.random.default_rng(9)
    hits = 0
    for _ in range(runs):
        found = theil_sen(0.3 * np.arange(n) + rng.standard_t(3, n))
        hits += found.low <= 0.3 <= found.high
    assert binomtest(hits, runs).proportion_ci(0.999).high >= 0.95


@THOROUGH
@given(values=TIED, tilt=st.sampled_from((-2.0, 0.5, 3.0)))
def test_a_line_added_adds_its_slope(values, tilt):
    """Adding a line moves slope and both ends by its slope."""
    before = theil_sen(values)
    after = theil_sen([value + tilt * i for i, value in enumerate(values)])
    assert pytest.approx(before.slope + tilt, abs=SAME_FORMULA) == after.slope


def test_few_pairs_of_different_times_have_no_interval():
    """A long series with nearly all points at one time has too few slopes for the sign test."""
    times = np.array([0.0] * 1200 + [1.0, 2.0])
    found = theil_sen(np.arange(1202.0), times)
    assert (None, None) == (found.low, found.high)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: mann_kendall([1.0, 2.0]),
        lambda: mann_kendall([1.0, 2.0, math.nan]),
        lambda: theil_sen([1.0, 2.0]),
        lambda: theil_sen([1.0, 2.0, 3.0], [1.0, 2.0]),
        lambda: theil_sen([1.0, 2.0, 3.0], [1.0, 1.0, 1.0]),
        lambda: theil_sen([1.0, 2.0, 3.0], [1.0, 2.0, math.inf]),
        lambda: theil_sen([1.0, 2.0, 3.0], confidence=1.0),
    ],
)
def test_what_has_no_trend_is_refused(wrong):
    """Fewer than three points, non-finite values, and times that do not fit or never differ are refused."""
    with pytest.raises(ValueError, match=r"must|needs"):
        wrong()


@pytest.mark.parametrize("wrong", [{"n": 2}, {"p": 1.5}, {"variance": -1.0}, {"tau": math.nan}])
def test_a_result_that_cannot_be_is_refused(wrong):
    """Probabilities and variances outside their ranges are refused."""
    with pytest.raises(ValueError, match="invalid result"):
        replace(mann_kendall([1.0, 2.0, 3.0]), **wrong)


@pytest.mark.parametrize("wrong", [{"low": 2.0, "high": 3.0}, {"n": 2}, {"low": 0.0}])
def test_an_interval_without_its_slope_is_refused(wrong):
    """An interval without its slope inside, or with one end, is refused."""
    with pytest.raises(ValueError, match="slope"):
        replace(theil_sen([0.0, 1.0, 2.0]), **wrong)
