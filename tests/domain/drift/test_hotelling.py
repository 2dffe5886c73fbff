"""Hotelling's T². Sources: Johnson and Wichern examples 5.1 and 5.2, NIST/SEMATECH 6.5.4.1, scipy's quantiles; simulation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, chi2

from lots.domain.drift.hotelling import contributions, covariance, one_sample, phase1_limit, phase2_limit, t_squared
from tests.domain.builders import reference_json
from tests.examples import examples
from tests.tolerances import MILLION_ROWS, NEARLY_DEPENDENT, PRINTED_2, PRINTED_10, SAME_FORMULA

REFERENCE = reference_json("hotelling.json")
SWEAT, SMALL = (case["result"] for case in REFERENCE["one_sample"])
NIST = REFERENCE["covariance"]
CASES = pytest.mark.parametrize("case", [SWEAT, SMALL], ids=["example-5.2", "example-5.1"])
BASELINES = 4000


def baseline(case):
    """Rows, mean and covariance of an example."""
    rows = np.array(case["X"])
    return rows, rows.mean(axis=0), covariance(rows)


def test_the_covariance_of_the_handbook():
    """Every element of the covariance is that of NIST 6.5.4.1."""
    assert pytest.approx(np.array(NIST["published_cov"]), abs=PRINTED_10) == covariance(NIST["X"])


@CASES
def test_the_covariance_of_the_examples(case):
    """The covariance is that of Johnson and Wichern, examples 5.1 and 5.2."""
    assert pytest.approx(np.array(case["cov"]), abs=PRINTED_10) == covariance(case["X"])


def test_t_squared_as_it_is_printed():
    """Johnson and Wichern print 7/9 for example 5.1 and 9.74 for example 5.2."""
    assert pytest.approx(7 / 9, abs=SAME_FORMULA) == one_sample(SMALL["X"], SMALL["mu0"]).t2
    assert pytest.approx(9.74, abs=PRINTED_2) == one_sample(SWEAT["X"], SWEAT["mu0"]).t2


@CASES
def test_the_test_of_a_mean(case):
    """T2, F and probability of both examples, to the computed decimals."""
    expected = (case["T2"], case["F"], case["p_value"])
    assert pytest.approx(expected, abs=PRINTED_10) == one_sample(case["X"], case["mu0"])


@CASES
def test_t_squared_of_every_row_about_the_mean(case):
    """Each row's T2 from the mean of all rows is as computed."""
    assert pytest.approx(case["T2_each_row_about_mean"], abs=PRINTED_10) == t_squared(*baseline(case)).tolist()


@CASES
def test_the_rows_of_a_baseline_share_out_a_fixed_sum(case):
    """T² of all rows about their own mean sums to p (n - 1)."""
    total = t_squared(*baseline(case)).sum()
    assert pytest.approx(case["p"] * (case["n"] - 1), abs=SAME_FORMULA) == total


def test_the_limit_for_rows_of_the_baseline():
    """The beta limit at 99 % for 20 rows of 3 variables is as computed (Tracy, Young and Mason 1992)."""
    assert pytest.approx(SWEAT["phase1_ucl_beta_99"], abs=PRINTED_10) == phase1_limit(20, 3, 0.01)


@CASES
def test_the_limit_for_later_rows(case):
    """The F limit at 99 % for single future rows is as computed (Tracy, Young and Mason 1992)."""
    expected = case["phase2_ucl_F_99_individual"]
    assert pytest.approx(expected, rel=SAME_FORMULA) == phase2_limit(case["n"], case["p"], 0.01)


def test_three_rows_of_two_variables_have_no_limit_of_their_own():
    """With n = p + 1 every row has the same T2 (example 5.1: 4/3), so there is no limit."""
    assert SMALL["phase1_ucl_beta_99"] is None
    with pytest.raises(ValueError, match="at least 4 rows, got 3"):
        phase1_limit(3, 2, 0.01)


@pytest.mark.parametrize(("p", "alpha"), [(1, 0.0027), (3, 0.01), (6, 0.05)])
def test_a_long_baseline_gives_the_chi_square_limit(p, alpha):
    """With known mean and covariance both limits are the chi-square quantile, and at a million rows almost."""
    expected = chi2.ppf(1 - alpha, p)
    assert pytest.approx(expected, rel=MILLION_ROWS) == phase1_limit(10**6, p, alpha)
    assert pytest.approx(expected, rel=MILLION_ROWS) == phase2_limit(10**6, p, alpha)


@pytest.mark.parametrize("phase", [1, 2])
def test_the_limits_give_the_alarms_they_promise(phase):
    """Of 4000 baselines of 12 rows, 5 % have a first or a thirteenth row beyond the limit (exact binomial interval at 99.9 %)."""
    n, p, alpha = 12, 3, 0.05
    rng = np.random.default_rng(20 + phase)
    mixing = np.array([[1.0, 0.0, 0.0], [0.8, 0.5, 0.0], [-0.3, 0.2, 2.0]])
    limit = (phase1_limit if phase == 1 else phase2_limit)(n, p, alpha)
    alarms = 0
    for _ in range(BASELINES):
        rows = rng.normal(size=(n + 1, p)) @ mixing.T
        kept, judged = rows[:n], rows[0] if phase == 1 else rows[n]
        alarms += t_squared([judged], kept.mean(axis=0), covariance(kept))[0] > limit
    interval = binomtest(int(alarms), BASELINES).proportion_ci(0.999)
    assert interval.low <= alpha <= interval.high


@CASES
def test_a_contribution_is_what_leaving_a_variable_out_takes_away(case):
    """The contribution d_j is T2 less the T2 of the other variables, computed without the variable (Runger, Alt and Montgomery 1996)."""
    rows, mean, spread = baseline(case)
    for row in rows:
        expected = []
        for j in range(case["p"]):
            others = [i for i in range(case["p"]) if i != j]
            without = t_squared([row[others]], mean[others], spread[np.ix_(others, others)])[0]
            expected.append(t_squared([row], mean, spread)[0] - without)
        assert pytest.approx(expected, abs=SAME_FORMULA) == contributions([row], mean, spread)[0]


def test_a_single_variable_contributes_all():
    """With one variable T2 is the squared standardised value and its whole contribution."""
    assert pytest.approx(9.0, abs=SAME_FORMULA) == contributions([[7.0]], [4.0], [[1.0]]).item()


def test_a_broken_correlation_stands_out_where_single_values_do_not():
    """Two correlated variables, each 1.5 sigma away on opposite sides, have a large T2."""
    spread = [[1.0, 0.9], [0.9, 1.0]]
    together, apart = t_squared([[1.5, 1.5], [1.5, -1.5]], [0.0, 0.0], spread)
    assert together < chi2.ppf(0.95, 2) < chi2.ppf(0.9999, 2) < apart
    # By hand: 2 * 1.5^2 / (1 - 0.9) and, left out either way, 1.5^2 remains.
    assert pytest.approx((42.75, 42.75), abs=SAME_FORMULA) == contributions([[1.5, -1.5]], [0.0, 0.0], spread)[0]


@examples(100)
@given(seed=st.integers(0, 10**6), scale=st.sampled_from((1e-6, 0.001, 25.4, 1e6)))
def test_units_do_not_matter(seed, scale):
    """Millimetres or inches in one column give the same T2 and contributions."""
    rng = np.random.default_rng(seed)
    rows = rng.normal(size=(8, 3)) @ rng.normal(size=(3, 3))
    scaled = rows * np.array([1.0, scale, 1.0]) + np.array([0.0, 5 * scale, 0.0])
    row, mean, spread = rows[0], rows.mean(axis=0), covariance(rows)
    other, other_mean, other_spread = scaled[0], scaled.mean(axis=0), covariance(scaled)
    expected = t_squared([row], mean, spread)[0]
    assert pytest.approx(expected, rel=NEARLY_DEPENDENT) == t_squared([other], other_mean, other_spread)[0]
    expected = contributions(rows, mean, spread)
    assert pytest.approx(expected, rel=NEARLY_DEPENDENT, abs=NEARLY_DEPENDENT) == contributions(
        scaled, other_mean, other_spread
    )


@pytest.mark.parametrize(
    ("spread", "why"),
    [
        ([[1.0, 0.0], [0.0, 0.0]], "variable 1 .* does not vary"),
        ([[1.0, 2.0], [2.0, 4.0]], "a variable follows from the others"),
        # A correlation above 1 cannot come from any rows.
        ([[1.0, 2.0], [2.0, 1.0]], "a variable follows from the others"),
        ([[1.0, 0.0, 0.0]], "2 by 2"),
        ([[1.0, float("nan")], [0.0, 1.0]], "finite"),
    ],
)
def test_a_covariance_that_cannot_be_inverted_is_refused_in_words(spread, why):
    """A variable without variance or dependent on others has no distance, and the message names it."""
    with pytest.raises(ValueError, match=why):
        t_squared([[1.0, 1.0]], [0.0, 0.0], spread)
    with pytest.raises(ValueError, match=why):
        contributions([[1.0, 1.0]], [0.0, 0.0], spread)


def test_three_rows_cannot_tell_three_variables():
    """Three rows of three variables give a singular covariance and no test of a mean."""
    rows = np.random.default_rng(4).normal(size=(3, 3))
    with pytest.raises(ValueError, match="take more rows"):
        t_squared(rows, rows.mean(axis=0), covariance(rows))
    with pytest.raises(ValueError, match="need more than 3 rows"):
        one_sample(rows, [0.0, 0.0, 0.0])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: covariance([[1.0, 2.0]]),
        lambda: covariance([1.0, 2.0]),
        lambda: covariance([[1.0], [math.inf]]),
        lambda: t_squared([[1.0, 2.0]], [0.0], [[1.0]]),
        lambda: t_squared([[1.0]], [0.0, 0.0], [[1.0, 0.0], [0.0, 1.0]]),
        lambda: contributions([[1.0, 2.0]], [0.0], [[1.0]]),
        lambda: contributions([[math.nan]], [0.0], [[1.0]]),
        lambda: one_sample([[1.0], [2.0]], [0.0, 0.0]),
        lambda: phase2_limit(3, 3, 0.01),
        lambda: phase2_limit(10, 0, 0.01),
        lambda: phase1_limit(10, 2, 0.0),
        lambda: phase2_limit(10, 2, 1.0),
    ],
)
def test_sizes_that_do_not_fit_are_refused(wrong):
    """Too few rows, columns that differ, non-finite values and invalid probabilities are refused."""
    with pytest.raises(ValueError, match=r"must|need"):
        wrong()
