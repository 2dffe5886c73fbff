"""Projection to the limit. Sources: statsmodels' ordinary least squares as an independent implementation; simulation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.regression.linear_model import OLS

from lots.domain.conformity.limits import Limit
from lots.domain.drift.projection import FARTHEST, LEAST_LOTS, project
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

THOROUGH = examples(100)
TREND = np.array([0.00, 0.11, 0.14, 0.27, 0.29, 0.43, 0.46, 0.55])
ABOVE = Limit(None, 1.0)


def design(times) -> np.ndarray:
    """A column of ones and one of times."""
    times = np.asarray(times, dtype=float)
    return np.column_stack([np.ones(len(times)), times])


def scanned(values, first: int, end: float, confidence: float) -> tuple[int | None, int | None, int | None]:
    """About, earliest and latest lot, by stepping along statsmodels' line and prediction bands."""
    n = len(values)
    fitted = OLS(np.asarray(values), design(range(n))).fit()
    ahead = fitted.get_prediction(design(range(n, n + FARTHEST)))
    low, high = ahead.conf_int(obs=True, alpha=1 - confidence).T
    rising = fitted.params[1] > 0
    edges = (ahead.predicted_mean, high if rising else low, low if rising else high)
    beyond = [[i for i, at in enumerate(edge) if (at >= end if rising else at <= end)] for edge in edges]
    return tuple(first + n + found[0] if found else None for found in beyond)


@pytest.mark.parametrize("n", [5, 6, 8, 20, 60])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_slope_scatter_and_interval(n, confidence):
    """Slope, its interval and the residual standard deviation (statsmodels)."""
    values = 0.08 * np.arange(n) + np.random.default_rng(n).normal(0, 0.1, n)
    fitted = OLS(values, design(range(n))).fit()
    found = project(values.tolist(), 1, ABOVE, "", confidence)
    expected = (fitted.params[1], *fitted.conf_int(alpha=1 - confidence)[1], math.sqrt(fitted.mse_resid))
    assert pytest.approx(expected, abs=SAME_FORMULA) == (found.slope, found.slope_low, found.slope_high, found.scatter)
    assert (1, n) == (found.first, found.last)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("way", [1, -1])
def test_the_lots_are_where_the_bands_meet_the_limit(seed, way):
    """About, earliest and latest equal those from statsmodels' bands, upwards and downwards, for near and distant limits."""
    rng = np.random.default_rng(seed)
    n, first = int(rng.integers(6, 30)), int(rng.integers(1, 40))
    values = 0.1 * np.arange(n) + rng.normal(0, 0.05, n)
    end = float(values[-1] + rng.uniform(0.2, 4.5))
    limit = Limit(None, end) if way > 0 else Limit(-end, None)
    found = project((way * values).tolist(), first, limit, "")
    assert scanned(way * values, first, way * end, 0.95) == (found.about, found.earliest, found.latest)
    assert found.earliest is not None
    assert way * end == found.limit


@pytest.mark.parametrize(("end", "unknown"), [(5.6, 1), (6.0, 2), (7.0, 3)])
def test_what_lies_beyond_fifty_lots_is_not_said(end, unknown):
    """For limits further and further away the latest, the line, and then the earliest are more than 50 lots ahead (statsmodels' bands)."""
    values = (0.1 * np.arange(12) + np.tile([0.06, -0.06], 6)).tolist()
    found = project(values, 1, Limit(None, end), "")
    lots = (found.latest, found.about, found.earliest)
    assert scanned(values, 1, end, 0.95) == (found.about, found.earliest, found.latest)
    assert [True] * unknown + [False] * (3 - unknown) == [lot is None for lot in lots]
    assert ("more than 50 lots away" in found.says) == (found.earliest is None)
    assert ("beyond lot 62" in found.says) == (1 <= unknown <= 2)
    assert ("a lot beyond 62" in found.says) == (unknown == 2)


def test_it_says_where_the_limit_is_reached():
    """One sentence with limit, unit, and the three lots."""
    found = project(TREND.tolist(), 11, replace(ABOVE, unit="%"), "%")
    assert (24, 23, 26) == (found.about, found.earliest, found.latest) == scanned(TREND, 11, 1.0, 0.95)
    assert "At this slope the limit of 1 % is reached at about lot 24 (between lot 23 and lot 26)." == found.says


@pytest.mark.parametrize("n", range(LEAST_LOTS))
def test_too_few_lots_say_nothing(n):
    """Fewer than five lots give no line."""
    assert None is project(TREND[:n].tolist(), 1, ABOVE, "")


def test_no_slope_says_nothing():
    """Where the slope's interval includes zero there is no projection, however near the limit is."""
    found = project([0.90, 0.95, 0.88, 0.97, 0.91, 0.95], 1, ABOVE, "")
    assert found.slope_low < 0 < found.slope_high
    assert (None, None, None, None) == (found.limit, found.about, found.earliest, found.latest)
    assert "No projection, because the slope is not significant." == found.says


@pytest.mark.parametrize("value", [0.0, 0.1, 2 / 3, 1.1])
def test_equal_values_have_no_slope(value):
    """Rounding of a mean is not a slope."""
    for n in range(LEAST_LOTS, 41):
        assert project([value] * n, 1, Limit(None, 5.0), "").says.startswith(
            "No projection, because the slope is not significant"
        ), n


@pytest.mark.parametrize("limit", [None, Limit(-1.0, None)], ids=["none", "below"])
def test_away_from_the_limit_nothing_is_reached(limit):
    """Rising lots without a limit, or with a lower one, reach none."""
    found = project(TREND.tolist(), 1, limit, "")
    assert (None, None, None, None) == (found.limit, found.about, found.earliest, found.latest)
    assert "No projection, because there is no limit in the direction of the trend." == found.says


@pytest.mark.parametrize("end", [0.5, 0.3, -1.0])
def test_a_limit_that_is_reached_is_reached_by_the_last_lot(end):
    """Where the line has reached the limit, the last lot is named, and no further lot."""
    found = project(TREND.tolist(), 3, Limit(None, end), "mm")
    assert (end, 10, None, None) == (found.limit, found.about, found.earliest, found.latest)
    assert f"The limit of {end:g} mm has been reached." == found.says


def test_lots_exactly_on_a_line_reach_the_limit_at_one_lot():
    """Without noise the three lots are one: 0, 0.1, ... reaches 1.0 at the eleventh, in spite of binary fractions."""
    found = project([0.1 * i for i in range(6)], 1, ABOVE, "")
    assert (11, 11, 11) == (found.about, found.earliest, found.latest)


SERIES = st.lists(steps(-1, 1, 0.01), min_size=LEAST_LOTS, max_size=30)


@THOROUGH
@given(values=SERIES, slope=st.sampled_from((0.05, 0.2)), ahead=st.integers(1, 40))
def test_upside_down_is_the_same(values, slope, ahead):
    """Negated lots reach the negated limit with the same lots."""
    values = [value + slope * i for i, value in enumerate(values)]
    up, down = project(values, 1, Limit(None, 8.0), ""), project([-v for v in values], 1, Limit(-8.0, None), "")
    assert (up.about, up.earliest, up.latest) == (down.about, down.earliest, down.latest)
    assert (up.slope, up.slope_low, up.scatter) == (-down.slope, -down.slope_high, down.scatter)
    later = project(values, 1 + ahead, Limit(None, 8.0), "")
    assert [lot and lot + ahead for lot in (up.about, up.earliest, up.latest)] == [
        later.about,
        later.earliest,
        later.latest,
    ]


@THOROUGH
@given(values=SERIES, slope=st.sampled_from((0.05, 0.2)))
def test_earliest_about_and_latest_come_in_that_order(values, slope):
    """None comes after a known one, and all are after the last lot."""
    found = project([value + slope * i for i, value in enumerate(values)], 1, Limit(None, 8.0), "")
    if found.earliest is not None:
        known = [lot or math.inf for lot in (found.earliest, found.about, found.latest)]
        assert sorted(known) == known
        assert found.last < found.earliest


RUNS = 2000


@pytest.mark.parametrize(("n", "sigma"), [(8, 0.04), (12, 0.12), (20, 0.2)])
@pytest.mark.parametrize("ahead", [3, 6, 15])
def test_a_lot_that_comes_out_at_the_limit_lies_in_between(n, sigma, ahead):
    """What [earliest, latest] promises at 95 %: it holds one further lot whose own value is the limit.

    Lots rise by 0.08 with normal scatter; the limit is laid at the value of the lot `ahead`. It holds it in 95 % of runs or somewhat more,
    since lots are whole numbers (exact binomial interval at 99.9 %, 2000 runs, of which those count that are not at the limit yet).
    """
    rng = np.random.default_rng(100 * n + ahead)
    held = told = 0
    for _ in range(RUNS):
        values = 0.08 * np.arange(n + ahead) + rng.normal(0, sigma, n + ahead)
        found = project(values[:n].tolist(), 1, Limit(None, float(values[-1])), "")
        if found.earliest is not None:
            told += 1
            held += found.earliest <= n + ahead <= (found.latest or math.inf)
    interval = binomtest(held, told).proportion_ci(0.999)
    assert told > 0.75 * RUNS
    assert interval.high >= 0.95
    assert interval.low <= 0.99


@pytest.mark.parametrize(("n", "sigma"), [(8, 0.04), (12, 0.12), (20, 0.2)])
def test_the_first_lot_beyond_the_limit_lies_in_between(n, sigma):
    """Nor does scatter carry a lot over the limit before `earliest` too often, though there are several lots that it might.

    The limit is where the line is six lots ahead. The first lot at or beyond it lies in between in 95 % or more of the runs in which a
    slope was told (simulated: 0.978 to 0.987; exact binomial interval at 99.9 %).
    """
    rng = np.random.default_rng(n)
    limit = 0.08 * (n + 5)
    held = told = 0
    for _ in range(RUNS):
        values = 0.08 * np.arange(n + 60) + rng.normal(0, sigma, n + 60)
        found = project(values[:n].tolist(), 1, Limit(None, limit), "")
        if found.earliest is not None:
            told += 1
            crossing = n + 1 + int((values[n:] >= limit).argmax())
            held += found.earliest <= crossing <= (found.latest or math.inf)
    assert told > 0.9 * RUNS
    assert binomtest(held, told).proportion_ci(0.999).high >= 0.95
