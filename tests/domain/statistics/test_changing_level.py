"""Forecast of a changing level: the Nile as published, regression and Gaussian algebra as second implementations, laws."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from lots.domain.statistics import changing_level
from lots.domain.statistics.changing_level import LATEST, PRIOR, STEPS, WANDERING, local_level, outlook
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import DRAWN_SHARE, INTEGRATED, PRINTED_2, SAME_FORMULA

SETTINGS = examples(60)
NILE = np.array(json.loads((Path(__file__).parents[2] / "reference" / "nile_trend.json").read_text())["y"])
VALUES = st.lists(steps(-1.0, 1.0, 0.05), min_size=4, max_size=25).filter(lambda values: len(set(values)) > 2)
TEN = [0.2, -0.1, 0.3, -0.2, 0.1, -0.3, 0.15, -0.15, 0.2, -0.2]


def test_the_nile_as_published():
    """Flow of the Nile 1871-1970: variances 15099 about the level and 1469 of its changes; last level 798.37 with variance 4032.16.

    Durbin and Koopman 2001, Time Series Analysis by State Space Methods, chapter 2 (from memory). The variance about the level comes
    from the concentrated likelihood, and the level and its variance from the filter.
    """
    level, doubt, squares, _ = local_level(NILE, np.array([1469.1 / 15098.5]))
    about = squares[0] / (len(NILE) - 1)
    assert pytest.approx(798.37, abs=PRINTED_2) == level[0]
    assert pytest.approx(15099, abs=1) == about
    assert pytest.approx(4032.16, abs=0.5) == doubt[0] * 15098.5


def test_the_nile_is_likeliest_at_the_published_variances():
    """The likelihood over ratios of variances is largest at 1469 / 15099 = 0.097 (Durbin and Koopman 2001, from memory)."""
    ratios = np.linspace(0.05, 0.2, 301)
    _, _, squares, log_size = local_level(NILE, ratios)
    likelihood = -log_size / 2 - (len(NILE) - 1) / 2 * np.log(squares)
    assert pytest.approx(1469 / 15099, abs=0.002) == ratios[likelihood.argmax()]


def test_the_nile_stepped_when_the_dam_was_built():
    """The flow fell at 1898 or 1899 (Cobb 1978, Biometrika 65, 243-251, from memory); the next year lies about 850, not about 919."""
    found = outlook(NILE)
    assert {27, 28} >= set(found.change("step"))
    assert found.probability("step") > 0.8
    ends = found.interval()
    assert pytest.approx(850, abs=20) == (ends.low + ends.high) / 2


def by_algebra(y, shape, size: float, ahead: float, walk: float = 0.0):
    """Marginal log likelihood, mean and variance factor of the next level by Gaussian algebra with covariance I + walk min(s, t) + size x x'."""
    n = len(y)
    t = np.arange(n + 1.0)
    whole = walk * np.minimum.outer(t, t)
    x = np.append(shape, ahead)
    whole += size * np.outer(x, x)
    seen, cross, own = whole[:n, :n] + np.eye(n), whole[n, :n], whole[n, n]
    inverse, one = np.linalg.inv(seen), np.ones(n)
    precision = one @ inverse @ one
    mean = one @ inverse @ y / precision
    left = y - mean
    squares = left @ inverse @ left
    log_likelihood = -np.linalg.slogdet(seen)[1] / 2 - math.log(precision) / 2 - (n - 1) / 2 * math.log(squares)
    off = 1 - cross @ inverse @ one
    return log_likelihood, mean + cross @ inverse @ left, own - cross @ inverse @ cross + off**2 / precision, squares


def test_weights_levels_and_doubts_are_those_of_gaussian_algebra():
    """Steady levels, steps, trends and random walks agree with inverse covariance matrices of all values."""
    y = np.array(TEN) + 0.3 * (np.arange(10) >= 6)
    n = len(y)
    found = outlook(y)
    t = np.arange(n)
    checked = {0: (np.zeros(n), 0.0, 0.0, 0.0)}
    for row in range(1, len(found.weights) - len(WANDERING)):
        k = found.begins[row]
        if found.kinds[row] == "step":
            checked[row] = ((t >= k) * 1.0, STEPS[(row - 1) % len(STEPS)] ** 2, 1.0, 0.0)
        else:
            place = (row - 1 - (n - 1) * len(STEPS)) % len(changing_level.SLOPES)
            checked[row] = (np.maximum(0, t - k + 1.0), changing_level.SLOPES[place] ** 2, n - k + 1.0, 0.0)
    expected = {row: by_algebra(y, *given_) for row, given_ in checked.items()}
    for place, size in enumerate(WANDERING):
        row = len(found.weights) - len(WANDERING) + place
        likelihood, level, doubt, squares = by_algebra(y, np.zeros(n), 0.0, 0.0, size**2)
        # Here the next level's own change belongs to its expectation; there to the spread about it.
        expected[row] = likelihood, level, doubt - size**2, squares
    for row, (_, level, doubt, squares) in expected.items():
        assert pytest.approx((level, doubt, squares), abs=SAME_FORMULA) == (
            found.level[row],
            found.doubt[row],
            found.squares[row],
        )
    prior = np.log(found.weights) - np.array([expected[row][0] for row in range(len(found.weights))])
    prior = np.exp(prior - prior.max())
    prior /= prior.sum()
    for kind, share in PRIOR.items():
        assert pytest.approx(share, abs=SAME_FORMULA) == prior[found.kinds == kind].sum()


def test_the_interval_is_where_the_draws_lie():
    """95 % of drawn next values lie inside the interval, half of the others on either side."""
    found = outlook([*TEN, 0.9, 1.1, 0.8])
    ends = found.interval()
    rng = np.random.default_rng(1)
    level, around = found.draw(rng, 200_000)
    values = level + around * rng.standard_normal(len(level))
    shares = [(values < ends.low).mean(), (values > ends.high).mean()]
    assert pytest.approx([0.025, 0.025], abs=0.002) == shares


def test_of_a_steady_series_alone_it_is_students_interval(monkeypatch):
    """With a steady level alone the result is mean, standard deviation and t with n - 1 degrees of freedom (scipy)."""
    monkeypatch.setattr(changing_level, "PRIOR", {"steady": 1.0, "step": 1e-300, "wandering": 1e-300, "trend": 1e-300})
    # Beyond the weights kept for these values under the true prior.
    found = changing_level._outlook.__wrapped__(tuple(TEN), len(TEN)).interval(0.9)
    half = student.isf(0.05, 9) * np.std(TEN, ddof=1) * math.sqrt(1 + 1 / 10)
    assert pytest.approx((np.mean(TEN) - half, np.mean(TEN) + half), abs=INTEGRATED) == (found.low, found.high)


@SETTINGS
@given(values=VALUES, factor=st.sampled_from([0.01, 3.0, 500.0]), shift=st.sampled_from([-5.0, 0.0, 0.7]))
def test_scaling_and_shifting_all_values_scales_the_interval(values, factor, shift):
    """Another unit or zero gives the same interval, scaled."""
    before = outlook(values)
    after = outlook([factor * value + shift for value in values])
    assert pytest.approx(before.weights, abs=INTEGRATED) == after.weights
    one, two = before.interval(), after.interval()
    expected = (factor * one.low + shift, factor * one.high + shift)
    assert pytest.approx(expected, rel=INTEGRATED, abs=INTEGRATED * factor) == (two.low, two.high)


@SETTINGS
@given(values=VALUES, confidence=st.sampled_from([0.5, 0.8, 0.95]))
def test_more_confidence_is_a_wider_interval(values, confidence):
    """An interval at a lower confidence lies within one at a higher."""
    narrow, wide = outlook(values).interval(confidence), outlook(values).interval(0.99)
    assert wide.low < narrow.low < narrow.high < wide.high


def test_a_plain_step_gives_up_the_values_before():
    """After a step of twenty standard deviations the interval is about the later values, and the place of the step is named."""
    found = outlook([*TEN, *(4.0 + value for value in TEN)])
    assert (10, 10) == found.change("step")
    ends = found.interval()
    assert 3.3 < ends.low < 4.0 < ends.high < 4.7


def test_a_trend_is_carried_on():
    """For values on a line the next value continues it, and the trend begins with the first value."""
    found = outlook([value + i for i, value in enumerate(TEN)])
    ends = found.interval()
    assert found.probability("trend") > 0.9
    assert ends.low < 10 < ends.high
    assert 0 == found.change("trend")[0]


def test_values_all_alike_have_an_interval_of_no_width():
    """Equal values have an interval of zero width."""
    ends = outlook([0.5] * 8).interval()
    assert pytest.approx((0.5, 0.5), abs=SAME_FORMULA) == (ends.low, ends.high)
    level, around = outlook([0.5] * 8).draw(np.random.default_rng(1), 10)
    assert pytest.approx(0.5, abs=SAME_FORMULA) == level.tolist()[0]
    assert around.max() < SAME_FORMULA


def test_only_the_latest_values_count():
    """Values further back than LATEST change only the index of a change."""
    rng = np.random.default_rng(2)
    values = [*rng.standard_normal(LATEST - 20), *(3 + rng.standard_normal(20))]
    short, long = outlook(values), outlook([*rng.standard_normal(50), *values])
    assert (short.weights == long.weights).all()
    assert [index + 50 for index in short.change("step")] == list(long.change("step"))


@pytest.mark.parametrize("n", [0, 2])
def test_two_values_foretell_nothing(n):
    """Fewer than three values are rejected."""
    with pytest.raises(ValueError, match="at least 3 values"):
        outlook(TEN[:n])


def test_drawn_kinds_come_as_often_as_they_are_likely():
    """Draws come from each model by its weight: a step with weight one half gives levels on both sides."""
    found = outlook([*TEN, 0.8])
    level, _ = found.draw(np.random.default_rng(3), 20_000)
    assert pytest.approx(float(found.weights @ found.level), abs=DRAWN_SHARE) == float(level.mean())


def test_of_one_kind_alone():
    """A stepped series taken as steady has mean and Student's interval of all values (scipy)."""
    values = [*TEN, 2.0, 2.2, 1.9, 2.1]
    found = outlook(values).only("steady")
    half = student.isf(0.025, 13) * np.std(values, ddof=1) * math.sqrt(1 + 1 / 14)
    assert pytest.approx(1.0, abs=SAME_FORMULA) == found.probability("steady")
    assert pytest.approx(np.mean(values) + half, abs=INTEGRATED) == found.interval().high


def test_a_kind_that_was_ruled_out_can_be_asked_for():
    """A kind with negligible weight can be requested, with its own models."""
    found = outlook([0.0, 1e-9] * 100 + [1e9, 1e9 + 1e-9] * 50).only("steady")
    assert pytest.approx(1.0, abs=SAME_FORMULA) == found.probability("steady")
