"""Prediction of a stable series: limits and normal scores, from their definitions with scipy; laws, by hypothesis."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.statistics.prediction import RunningEstimate
from tests.tolerances import SAME_FORMULA

VALUES = [29.0, 31.0, 30.0, 30.5, 29.0, 31.0, 30.0, 28.0]
SOME = st.lists(st.floats(-1000, 1000), min_size=2, max_size=30)


def test_the_score_is_the_q_statistic():
    """Quesenberry 1991: the normal quantile of Student's distribution at sqrt((n - 1) / n) (x_n - mean) / s, with n - 2 degrees of freedom.

    Formula from memory; n counts the new value, and mean and s are of those before it.
    """
    n = len(VALUES)
    t = math.sqrt((n - 1) / n) * (VALUES[-1] - np.mean(VALUES[:-1])) / np.std(VALUES[:-1], ddof=1)
    expected = stats.norm.ppf(stats.t.cdf(t, n - 2))
    assert pytest.approx(expected, abs=SAME_FORMULA) == RunningEstimate.of(VALUES[:-1]).score(VALUES[-1])


def test_a_value_on_a_limit_has_the_score_of_the_limit():
    """A value on a limit has the limit's score: at 99.73 % it is 3 (2.9999769 = the normal quantile of 0.99865)."""
    estimate = RunningEstimate.of(VALUES)
    low, high = estimate.limits(0.9973)
    expected = stats.norm.ppf(0.99865)
    assert pytest.approx([-expected, expected], abs=1e-7) == [estimate.score(low), estimate.score(high)]


def test_what_is_known_is_scored_as_it_is():
    """With known mean and standard deviation a score is the standardised value, and no estimate changes."""
    known = RunningEstimate(10.0, 2.0, math.inf, math.inf)
    assert (5.0, 60.0) == (known.score(20.0), known.score(130.0))
    assert known == known.with_value(99.0)
    assert [-1.0, 0.5] == known.scores(np.array([8.0, 11.0])).tolist()


@given(values=SOME, more=st.floats(-1000, 1000))
def test_learning_a_value_is_estimating_from_all(values, more):
    """Updated mean and standard deviation are those of all values together."""
    once, all_ = RunningEstimate.of(values).with_value(more), RunningEstimate.of([*values, more])
    assert (once.n, once.df) == (all_.n, all_.df)
    assert pytest.approx([all_.mean, all_.sd], rel=1e-9, abs=1e-9) == [once.mean, once.sd]


@given(
    values=st.lists(st.floats(-9, 9), min_size=3, max_size=20, unique=True),
    pair=st.tuples(st.floats(-9, 9), st.floats(-9, 9)),
)
def test_a_larger_value_has_no_smaller_score(values, pair):
    """Scores keep the order of values, and an array has its single scores."""
    estimate = RunningEstimate.of(values)
    if not estimate.sd > 1e-6:
        return
    low, high = sorted(pair)
    assert estimate.score(low) <= estimate.score(high) + SAME_FORMULA
    assert (
        pytest.approx([estimate.score(low), estimate.score(high)], abs=1e-7)
        == estimate.scores(np.array([low, high])).tolist()
    )
