"""Variance components and means of lots. Sources: NIST GEAR.DAT, handbook 7.4.3 and 1.3.5.3 in the reference file; scipy and numpy as second implementations."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import chi2, f, ttest_1samp

from lots.domain.statistics.variance_components import Components, Group, components, lot_mean_interval
from tests.domain.builders import reference_json
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import (
    QUANTILE_RELATIVE,
    REML_RELATIVE,
    SAME_FORMULA,
    SAME_SUM,
    VARIANCE_RELATIVE,
)

FIGURES = reference_json("variance_components.json")
BALANCED = {name: FIGURES[name] for name in ("gear", "handbook_7_4_3")}
UNEQUAL = [[6.9, 5.4], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0], [10.5, 8.1, 6.9]]
SETTINGS = examples(80)
LOTS = st.lists(st.lists(steps(0, 5, 0.1), min_size=1, max_size=6), min_size=2, max_size=6)


def group(values) -> Group:
    """A lot's spools as a group."""
    mean = statistics.fmean(values)
    return Group(len(values), mean, math.fsum((value - mean) ** 2 for value in values))


def seen(lots, confidence=0.95) -> Components:
    """The components of lots given spool by spool."""
    return components([group(values) for values in lots], confidence)


def ends(found) -> tuple[float, float]:
    """Both ends of an interval."""
    return found.low, found.high


def reml(groups) -> tuple[float, float]:
    """Within and between by maximising the restricted likelihood, for lots of one size (Patterson and Thompson 1971; second method)."""
    table = np.array(groups)
    k, n = table.shape
    within_ss = ((table - table.mean(axis=1, keepdims=True)) ** 2).sum()
    between_ss = n * ((table.mean(axis=1) - table.mean()) ** 2).sum()

    def minus_twice_log_likelihood(logs):
        within, of_means = np.exp(logs)
        return k * (n - 1) * logs[0] + within_ss / within + (k - 1) * logs[1] + between_ss / of_means

    start = np.log([table.var(), 2 * table.var()])
    found = minimize(minus_twice_log_likelihood, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    within, of_means = np.exp(found.x)
    return within, (of_means - within) / n


@pytest.mark.parametrize("name", BALANCED)
def test_published_examples(name):
    """Mean squares, degrees of freedom and components are those of NIST GEAR.DAT and of handbook 7.4.3."""
    expected, found = BALANCED[name]["result"], seen(BALANCED[name]["groups"])
    assert (expected["df_within"], expected["df_between"]) == (found.df_within, found.df_between)
    assert pytest.approx(expected["var_within"], rel=VARIANCE_RELATIVE) == found.within
    assert pytest.approx(expected["var_between"], rel=VARIANCE_RELATIVE) == found.between
    assert expected["n0"] == pytest.approx(found.n0, rel=SAME_SUM)
    k = len(BALANCED[name]["groups"])
    assert pytest.approx(expected["ms_between"], rel=VARIANCE_RELATIVE) == found.mean_variance * k * found.n0


@pytest.mark.parametrize("name", BALANCED)
def test_restricted_likelihood_finds_the_same(name):
    """For lots of one size that differ, the components maximise the restricted likelihood."""
    found = seen(BALANCED[name]["groups"])
    assert pytest.approx(reml(BALANCED[name]["groups"]), rel=REML_RELATIVE) == (found.within, found.between)


def test_unequal_sizes_by_the_textbook():
    """Sums of squares over degrees of freedom, and n0 = (N - sum n^2 / N) / (k - 1), for lots of 2, 5, 1 and 3 spools (Searle et al. 1992, 3.6)."""
    found, every = seen(UNEQUAL), [value for lot in UNEQUAL for value in lot]
    grand, sizes = np.mean(every), [len(lot) for lot in UNEQUAL]
    within = sum(((lot - np.mean(lot)) ** 2).sum() for lot in map(np.array, UNEQUAL)) / (11 - 4)
    between_square = sum(n * (np.mean(lot) - grand) ** 2 for n, lot in zip(sizes, UNEQUAL, strict=True)) / 3
    n0 = (11 - 39 / 11) / 3
    assert pytest.approx(within, rel=SAME_FORMULA) == found.within
    assert pytest.approx(n0, rel=SAME_FORMULA) == found.n0
    assert pytest.approx((between_square - within) / n0, rel=SAME_FORMULA) == found.between
    assert pytest.approx(np.mean([np.mean(lot) for lot in UNEQUAL])) == found.grand_mean
    assert pytest.approx(np.var([np.mean(lot) for lot in UNEQUAL], ddof=1) / 4) == found.mean_variance


def test_the_total_is_the_sum_for_lots_of_one_size():
    """Total is between + within, and over the variance of the mean it is the effective number of spools, between lots and spools."""
    found = seen(BALANCED["handbook_7_4_3"]["groups"])
    assert pytest.approx(found.between + found.within, rel=SAME_FORMULA) == found.total
    assert pytest.approx(found.total / found.mean_variance, rel=SAME_FORMULA) == found.n_effective
    assert 3 < found.n_effective < 15
    assert 2 < found.total_df < 14


def test_the_within_interval_is_chi_squares():
    """The interval for within is its sum of squares over chi-square quantiles (scipy)."""
    found = seen(UNEQUAL, 0.9)
    expected = (7 * found.within / chi2.ppf(0.95, 7), 7 * found.within / chi2.ppf(0.05, 7))
    assert pytest.approx(expected, rel=QUANTILE_RELATIVE) == ends(found.within_interval)


@pytest.mark.parametrize("name", BALANCED)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_between_interval_is_the_modified_large_sample_one(name, confidence):
    """For lots of one size the limits are those of Ting et al. 1990 in Burdick and Graybill 1992, in mean squares (second implementation, scipy)."""
    groups = BALANCED[name]["groups"]
    found, n, a = seen(groups, confidence), len(groups[0]), (1 - confidence) / 2
    d1, d2 = found.df_between, found.df_within
    s1, s2 = found.mean_variance * len(groups) * n, found.within
    g1, g2 = 1 - d1 / chi2.isf(a, d1), 1 - d2 / chi2.isf(a, d2)
    h1, h2 = d1 / chi2.ppf(a, d1) - 1, d2 / chi2.ppf(a, d2) - 1
    top, bottom = f.isf(a, d1, d2), f.ppf(a, d1, d2)
    g12 = ((top - 1) ** 2 - g1**2 * top**2 - h2**2) / top
    h12 = ((1 - bottom) ** 2 - h1**2 * bottom**2 - g2**2) / bottom
    low = s1 - s2 - math.sqrt(g1**2 * s1**2 + h2**2 * s2**2 + g12 * s1 * s2)
    high = s1 - s2 + math.sqrt(h1**2 * s1**2 + g2**2 * s2**2 + h12 * s1 * s2)
    expected = (max(0, low) / n, high / n)
    assert pytest.approx(expected, rel=SAME_FORMULA) == ends(found.between_interval)


def test_the_between_interval_leaves_zero_just_when_f_is_significant():
    """For lots of one size the low end is 0 up to the upper 2.5 % point of F, and above 0 beyond it (scipy)."""
    critical = f.isf(0.025, 2, 12)
    for ratio, leaves in ((0.999, False), (1.001, True)):
        # Means -d, 0, d of 5 spools have the mean square 5 d^2; within is 1.
        d = math.sqrt(ratio * critical / 5)
        found = components([Group(5, mean, 4.0) for mean in (-d, 0.0, d)])
        assert leaves is (found.between_interval.low > 0)
        assert found.between_interval.low <= found.between <= found.between_interval.high


def test_the_between_interval_for_unequal_sizes():
    """Lots of 2, 5, 1 and 3 spools have the interval of Burdick and Eickman 1986 by the ratio between / within (second implementation, scipy)."""
    found, sizes = seen(UNEQUAL), np.array([2, 5, 1, 3])
    spread, harmonic = found.mean_variance * 4, 4 / (1 / sizes).sum()
    low_ratio = max(0, spread / (f.isf(0.025, 3, 7) * found.within) - 1 / sizes.min())
    high_ratio = max(0, spread / (f.ppf(0.025, 3, 7) * found.within) - 1 / sizes.max())
    low = harmonic * low_ratio * spread / ((1 + harmonic * low_ratio) * chi2.isf(0.025, 3) / 3)
    high = harmonic * high_ratio * spread / ((1 + harmonic * high_ratio) * chi2.ppf(0.025, 3) / 3)
    assert pytest.approx((low, high), rel=SAME_FORMULA) == ends(found.between_interval)


def test_lots_whose_spools_are_all_alike():
    """Without spread within lots, between is the variance of the means with a chi-square interval, and only lots count."""
    for sizes in ((2, 2, 2), (2, 3, 4)):
        found = components([Group(n, mean, 0.0) for n, mean in zip(sizes, (1.0, 2.0, 3.0), strict=True)])
        assert 0 == found.within
        assert pytest.approx((2 / chi2.isf(0.025, 2), 2 / chi2.ppf(0.025, 2))) == ends(found.between_interval)
        assert (2.0, 3.0) == (found.total_df, found.n_effective)
    nothing = components([Group(2, 1.0, 0.0)] * 3)
    assert (0, 0, 0, 0, (0, 0)) == (
        nothing.within,
        nothing.between,
        nothing.total,
        nothing.mean_variance,
        ends(nothing.between_interval),
    )


def test_lots_that_differ_less_than_their_spools_explain():
    """A negative between is 0, its interval starts there, and total is within; the mean is no better than its spools make it."""
    found = components([Group(5, mean, 40.0) for mean in (1.0, 1.01, 0.99)])
    assert (0, 10.0, 0) == (found.between, found.within, found.between_interval.low)
    assert pytest.approx(found.within) == found.total
    assert pytest.approx(15) == found.n_effective


def test_one_spool_of_each_lot():
    """With one spool per lot only the sum of within and between is known: the variance of the values, with lots less one degrees of freedom."""
    values = [1.0, 2.0, 4.0]
    found = seen([[value] for value in values])
    assert (None, None, None, None) == (found.within, found.between, found.within_interval, found.between_interval)
    assert pytest.approx((statistics.variance(values), 2, 3)) == (found.total, found.total_df, found.n_effective)
    assert (0, 2) == (found.df_within, found.df_between)


def test_one_lot():
    """One lot gives the variance within lots if it has two spools, and none between lots."""
    found = seen([[1.0, 3.0]])
    assert (2.0, 2.0, 1, 0) == (found.grand_mean, found.within, found.df_within, found.df_between)
    between = (found.between, found.between_interval, found.mean_variance, found.n0)
    assert (None,) * 7 == (*between, found.total, found.total_df, found.n_effective)
    assert seen([[1.0]]).within is None
    with pytest.raises(ValueError, match="at least one lot"):
        components([])


@SETTINGS
@given(lots=LOTS, by=st.sampled_from((0.01, 7.0, 1000.0)), add=numbers(-5, 5))
def test_moving_and_stretching(lots, by, add):
    """A constant added to every spool changes no variance; a factor multiplies all of them by its square and keeps the degrees of freedom."""
    found = seen(lots)
    moved = seen([[value + add for value in lot] for lot in lots])
    stretched = seen([[value * by for value in lot] for lot in lots])
    assert pytest.approx(found.grand_mean + add, abs=SAME_FORMULA) == moved.grand_mean
    for other, factor in ((moved, 1.0), (stretched, by * by)):
        assert pytest.approx(found.mean_variance * factor, abs=SAME_FORMULA * factor) == other.mean_variance
        assert pytest.approx(found.total * factor, abs=SAME_FORMULA * factor) == other.total
        if found.within is not None:
            assert pytest.approx(found.within * factor, abs=SAME_FORMULA * factor) == other.within
            assert pytest.approx(found.between * factor, abs=SAME_FORMULA * factor) == other.between
            expected = tuple(end * factor for end in ends(found.between_interval))
            # The ends of an interval for two or three lots are a thousand times the variance between them.
            assert pytest.approx(expected, abs=1e3 * SAME_FORMULA * factor) == ends(other.between_interval)
        if found.total > SAME_FORMULA:
            assert pytest.approx(found.total_df, rel=SAME_FORMULA) == other.total_df
            assert pytest.approx(found.n_effective, rel=SAME_FORMULA) == other.n_effective


@SETTINGS
@given(lots=LOTS, data=st.data())
def test_laws_of_components(lots, data):
    """Order has no effect; variances are not negative; total is at least within; effective numbers lie between those of lots and of spools."""
    found, other = seen(lots), seen(data.draw(st.permutations(lots)))
    k, spools = len(lots), sum(map(len, lots))
    assert pytest.approx(found.total, abs=SAME_FORMULA) == other.total
    assert found.total >= (found.within or 0) - SAME_SUM
    assert k - SAME_FORMULA <= found.n_effective <= spools + SAME_FORMULA
    assert k - 1 - SAME_FORMULA <= found.total_df <= spools - 1 + SAME_FORMULA
    assert 1 - SAME_SUM <= found.n0 <= max(map(len, lots)) + SAME_SUM


@pytest.mark.parametrize("bad", [(0, 1.0, 0.0), (2, math.nan, 0.0), (2, 1.0, -0.1), (2, 1.0, math.inf), (1, 1.0, 0.5)])
def test_a_group_refuses_nonsense(bad):
    """No spool, a non-finite number, a negative sum of squares, or spread of a single spool raises."""
    with pytest.raises(ValueError, match=r"spool|numbers"):
        Group(*bad)


@pytest.mark.parametrize("values", [[1.0, 2.0, 3.0], [5.0, 5.5], [0.3, 0.1, 0.4, 0.1, 0.5]])
def test_the_mean_of_lots(values):
    """Mean and interval are those of a one-sample t test (scipy); one lot has a mean alone, and no lot is refused."""
    mean, interval, sd, n = lot_mean_interval(values, 0.9)
    expected = ttest_1samp(values, 0).confidence_interval(0.9)
    assert pytest.approx((expected.low, expected.high), rel=SAME_FORMULA) == ends(interval)
    assert pytest.approx((np.mean(values), np.std(values, ddof=1), len(values))) == (mean, sd, n)
    assert (5.0, None, None, 1) == lot_mean_interval([5.0])
    with pytest.raises(ValueError, match="at least one lot"):
        lot_mean_interval([])


def test_components_refuse_a_negative_variance():
    """A variance below 0 is refused."""
    with pytest.raises(ValueError, match="variance"):
        Components(-1.0, None, 0.0, None, None, 1, 0, None, None, None, None, None)
