"""Self-starting charts: scores from their definition, updates of the estimate, and the textbook charts for known parameters."""

import math

import numpy as np
import pytest
from scipy import stats

from lots.domain.drift.baseline import Baseline, baseline_from
from lots.domain.drift.control_charts import cusum, ewma, moving_range_df, shewhart
from lots.domain.drift.drift_analysis import analyse
from lots.domain.drift.self_starting import LEARNING_LOTS, scores
from tests.tolerances import SAME_FORMULA, STANDARD_ERRORS

QUIET = [0.3, -0.8, 0.6, -0.2, 1.1, -0.6, 0.2, 0.7, -1.2, 0.4, -0.1, 0.5]


def scored(values, base):
    """Scores of lots in their own unit."""
    return scores((np.asarray(values) - base.mean) / base.sigma, base)


def test_each_later_lot_is_judged_by_all_lots_before_it():
    """Lots 9 to 12 have the Q statistics of Quesenberry 1991 (from memory; scipy), from all earlier lots and no later ones."""
    base = baseline_from(QUIET[:8], chosen=False, own=range(8))
    expected = []
    for n in range(8, 12):
        before = np.array(QUIET[:n])
        t = (QUIET[n] - before.mean()) / (before.std(ddof=1) * math.sqrt(1 + 1 / n))
        expected.append(stats.norm.ppf(stats.t.cdf(t, n - 1)))
    assert pytest.approx(expected, abs=1e-7) == scored(QUIET, base).q[8:].tolist()


def test_a_lot_of_the_baseline_is_judged_by_the_others_of_it():
    """The fifth lot has the score of a later lot against the other seven (scipy's t)."""
    base = baseline_from(QUIET[:8], chosen=False, own=range(8))
    others = np.array([*QUIET[:4], *QUIET[5:8]])
    t = (QUIET[4] - others.mean()) / (others.std(ddof=1) * math.sqrt(1 + 1 / 7))
    expected = stats.norm.ppf(stats.t.cdf(t, 6))
    assert pytest.approx(expected, abs=1e-7) == scored(QUIET, base).q[4]


def test_a_called_lot_teaches_nothing():
    """A signalled lot leaves the estimate unchanged; a quiet one updates it."""
    base = baseline_from(QUIET[:8], chosen=True, own=range(8))
    off, quiet = (scored([*QUIET[:8], ninth, 0.0], base) for ninth in (40.0, 0.5))
    assert off.level[8] == off.level[9] == quiet.level[8] != quiet.level[9]


def test_the_lots_of_the_baseline_move_no_average():
    """EWMA and CUSUM start with the ninth lot."""
    charts = analyse(QUIET, None, None, "").charts
    assert [0.0] * 8 == charts.ewma.statistic[:8].tolist() == charts.cusum.high[:8].tolist()
    fresh = ewma(charts.scores.q[8:], 0.2, 2.7)
    assert fresh.statistic.tolist() == charts.ewma.statistic[8:].tolist()
    assert fresh.upper.tolist() == charts.ewma.upper[8:].tolist()


def test_a_series_stops_teaching_after_a_hundred_lots():
    """A drift as slow as 0.01 per lot, which no chart signals at once, is not followed without end."""
    base = Baseline(0.0, 1.0, 8, chosen=True, sd=1.0)
    found = scored(np.tile(QUIET, 20) * 0.5, base)
    assert len(set(found.level[LEARNING_LOTS:].tolist())) == 1
    assert found.level[LEARNING_LOTS - 1] != found.level[LEARNING_LOTS - 2]


def test_a_given_baseline_keeps_the_textbook_charts():
    """With known parameters each chart plots the standardised values: individuals, EWMA and CUSUM as in the reference file."""
    values = np.random.default_rng(3).normal(5.0, 0.2, 40)
    z = (values - 5.0) / 0.2
    charts = analyse(values, Baseline(5.0, 0.2, 0, chosen=True), None, "").charts
    for mine, textbook in ((charts.individuals, shewhart(z)), (charts.ewma, ewma(z, 0.2, 2.7))):
        assert pytest.approx(textbook.statistic, abs=SAME_FORMULA) == mine.statistic
        assert textbook.upper.tolist() == mine.upper.tolist()
    assert pytest.approx(cusum(z).high, abs=SAME_FORMULA) == charts.cusum.high
    low, high = charts.scores.limits()
    assert ({-3.0}, {3.0}) == (set(low.tolist()), set(high.tolist()))


def test_limits_of_the_individuals_chart_are_where_its_scores_are_three():
    """A lot on its limit has the score 3, for any estimate."""
    base = baseline_from(QUIET[:8], chosen=True, own=range(8))
    _, high = scored(QUIET, base).limits()
    on_it = [*QUIET[:10], base.mean + base.sigma * high[10]]
    assert pytest.approx(3.0, abs=1e-7) == scored(on_it, base).q[10]


def test_degrees_of_freedom_of_a_moving_range():
    """For two values 1 / (pi - 2), from the variance of a half-normal value; for eight as in 20,000 simulated series."""
    assert pytest.approx(1 / (math.pi - 2), abs=SAME_FORMULA) == moving_range_df(2)
    ranges = np.abs(np.diff(np.random.default_rng(2).normal(size=(20_000, 8)), axis=1)).mean(axis=1)
    relative = ranges.var() / ranges.mean() ** 2
    assert pytest.approx(1 / (2 * relative), rel=STANDARD_ERRORS * (2 / 20_000) ** 0.5 * 2) == moving_range_df(8)


def test_a_baseline_that_walks_rests_on_its_moving_range():
    """The sample standard deviation of eight rising lots is that of the drift, so the baseline does not use it."""
    walk, steady = (baseline_from(values, chosen=True) for values in ([0.1 * n for n in range(8)], QUIET[:8]))
    assert (None, moving_range_df(8)) == (walk.sd, walk.estimate.df)
    assert pytest.approx(np.std(QUIET[:8], ddof=1), abs=SAME_FORMULA) == steady.sd
    assert 7 == steady.estimate.df
