"""Selection of series for a list. p-values from scipy's t test; lists against the Benjamini-Hochberg procedure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.conformity.limits import Limit
from lots.domain.drift.baseline import Baseline, baseline_from
from lots.domain.drift.drift_analysis import analyse
from lots.domain.drift.reported import listing, signals_to_report, why_unlisted
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

QUIET = [0.3, -0.8, 0.6, -0.2, 1.1, -0.6, 0.2, 0.7, -1.2, 0.4, -0.1, 0.5]
GIVEN = Baseline(0.0, 1.0, 0, chosen=True)
STEPPED = [*QUIET, *(6 + z for z in QUIET[:8])]


def series(*every, limit=None, baseline=None):
    """Several series as a list takes them, all with one limit."""
    return [(analyse(values, baseline, limit, ""), limit) for values in every]


def test_the_p_value_of_a_series():
    """The smallest of four t tests (latest 1, 2, 4 and 8 of twenty lots against earlier ones) and the trend test, times five."""
    found = analyse(STEPPED, None, None, "")
    tests = [stats.ttest_ind(STEPPED[-k:], STEPPED[:-k]).pvalue for k in (1, 2, 4, 8) if k > 1]
    assert pytest.approx(5 * min(tests), rel=1e-9) == found.p


def test_against_a_given_baseline_it_is_the_normal_test():
    """One lot at 4 sigma: twice the normal tail beyond 4, for a single test."""
    assert pytest.approx(2 * stats.norm.sf(4.0), rel=1e-9) == analyse([4.0], GIVEN, None, "").p


def test_a_baseline_of_lots_outside_the_series_counts_with_those_before():
    """Twelve chosen earlier lots and four later ones: the t test of the four against the twelve."""
    base = baseline_from(QUIET, chosen=True)
    found = analyse([3.0, 2.5, 3.5, 3.0], base, None, "")
    expected = stats.ttest_ind([3.0, 2.5, 3.5, 3.0], QUIET).pvalue
    assert pytest.approx(4 * expected, rel=1e-9) == found.p


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0]])
def test_too_few_lots_have_no_p_value(values):
    """Without a test the series is not among those looked at."""
    found = listing(series(values, STEPPED))
    assert None is analyse(values, None, None, "").p
    assert (1, (False, True)) == (found.looked_at, found.listed)


def test_an_improvement_is_no_worsening():
    """A step away from a limit at 20 is an improvement and not listed; the same step towards a limit at 8 is."""
    better, worse = Limit(-20.0, None), Limit(None, 8.0)
    found = [listing(series(STEPPED, limit=limit)) for limit in (better, worse)]
    assert [(1, 0), (1, 1)] == [(one.looked_at, one.count) for one in found]
    ((analysis, _),) = series(STEPPED, limit=better)
    assert ["improvement"] == [why_unlisted(signal, better) for signal in analysis.signals if signal.active]


def test_towards_the_middle_between_two_limits_is_better():
    """A shift from the upper limit to the middle is an improvement; the same distance beyond the middle is not."""
    down = [-z for z in STEPPED]
    assert [] == signals_to_report(*series(down, limit=Limit(-13.0, 5.0))[0])
    assert 1 == len(signals_to_report(*series(down, limit=Limit(-7.0, 5.0))[0]))


def test_a_shift_below_a_tenth_of_the_limit_is_not_listed():
    """Six with a tolerance of 61 is too small, six of 59 is not; without a limit nothing is too small."""
    counts = [listing(series(STEPPED, limit=limit)).count for limit in (Limit(None, 65.0), Limit(None, 50.0), None)]
    assert [0, 1, 1] == counts


def test_every_series_looked_at_counts():
    """A shift listed alone is not listed among a thousand steady series: 1000 tests require a thousandth of the p-value."""
    shifted = [*QUIET, *(1.9 + z for z in QUIET[:4])]
    alone = series(shifted)
    (p,) = (analysis.p for analysis, _ in alone)
    assert 0.0001 < p < 0.1
    assert (1, 1) == (listing(alone).looked_at, listing(alone).count)
    crowd = listing([*alone, *series(QUIET) * 1000])
    assert (1001, 0) == (crowd.looked_at, crowd.count)


@examples(60)
@given(seed=st.integers(0, 10**6), further=st.sampled_from((0.5, 2.0, 8.0)))
def test_a_series_that_goes_further_stays_on_the_list(seed, further):
    """A listed series stays listed with a larger step and a smaller p-value."""
    rng = np.random.default_rng(seed)
    every = rng.normal(size=(10, 20))
    every[:4, 14:] += 3
    before = series(*every)
    larger = every[0].copy()
    larger[14:] += further
    after = [*series(larger), *before[1:]]
    if listing(before).listed[0] and after[0][0].p <= before[0][0].p:
        assert listing(after).listed[0]
        assert all(now >= then for then, now in zip(listing(before).listed, listing(after).listed, strict=True))


def test_scale_and_place_change_no_p_value():
    """Another unit and another zero: the same list."""
    moved = [1000 + 25.4 * z for z in STEPPED]
    assert pytest.approx(analyse(STEPPED, None, None, "").p, rel=SAME_FORMULA) == analyse(moved, None, None, "").p
