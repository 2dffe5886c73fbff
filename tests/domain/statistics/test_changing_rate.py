"""Success rate with one possible change: against sums over every change point, and laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta

from lots.domain.statistics.changing_rate import CHANGED, LEAST_VERDICTS, changing_rate
from tests.examples import examples
from tests.tolerances import INTEGRATED, SAME_FORMULA

SETTINGS = examples(60)
VERDICTS = st.lists(st.booleans(), min_size=LEAST_VERDICTS, max_size=20)


def likelihood(verdicts) -> float:
    """The marginal likelihood under Jeffreys' prior, by numerical integration over an angle that makes the prior uniform."""
    good, n = sum(verdicts), len(verdicts)
    return quad(lambda a: np.sin(a) ** (2 * good) * np.cos(a) ** (2 * (n - good)), 0, np.pi / 2)[0] * 2 / np.pi


@SETTINGS
@given(verdicts=VERDICTS)
def test_each_place_of_the_change_weighs_by_its_likelihood(verdicts):
    """Weights are prior times likelihood of both parts, integrated numerically; the mean and the interval are those of the mixture (scipy)."""
    n, found = len(verdicts), changing_rate(verdicts)
    weights = [(1 - CHANGED) * likelihood(verdicts)]
    weights += [CHANGED / (n - 1) * likelihood(verdicts[:k]) * likelihood(verdicts[k:]) for k in range(1, n)]
    weights = np.array(weights) / sum(weights)
    assert pytest.approx(weights, abs=INTEGRATED) == found.weights
    assert pytest.approx(1 - weights[0], abs=INTEGRATED) == found.changed
    rates = [
        beta(sum(part) + 0.5, len(part) - sum(part) + 0.5) for part in (verdicts, *(verdicts[k:] for k in range(1, n)))
    ]
    assert (
        pytest.approx(sum(w * rate.mean() for w, rate in zip(weights, rates, strict=True)), abs=INTEGRATED)
        == found.mean
    )
    ends = found.interval(0.9)
    below = [sum(w * rate.cdf(end) for w, rate in zip(weights, rates, strict=True)) for end in (ends.low, ends.high)]
    expected = [0.0 if not any(verdicts) else 0.05, 1.0 if all(verdicts) else 0.95]
    assert pytest.approx(expected, abs=INTEGRATED) == below


@SETTINGS
@given(verdicts=VERDICTS)
def test_good_and_bad_are_mirrored(verdicts):
    """Reversed verdicts give one minus the rate."""
    one, other = changing_rate(verdicts), changing_rate([not verdict for verdict in verdicts])
    assert pytest.approx(1 - one.mean, abs=SAME_FORMULA) == other.mean
    assert pytest.approx(1 - one.interval().low, abs=INTEGRATED) == other.interval().high


def test_a_change_gives_up_the_verdicts_before():
    """Thirty good lots and then eight bad ones predict a bad one; mixed, they predict the overall rate."""
    fell = changing_rate([True] * 30 + [False] * 8)
    mixed = changing_rate(np.random.default_rng(1).permutation([True] * 30 + [False] * 8).tolist())
    assert fell.mean < 0.1
    assert fell.changed > 0.99
    assert 0.65 < mixed.mean < 0.9


def test_drawn_rates_follow_the_mixture():
    """Mean and quantiles of the draws are those of the mixture; without a change it is Jeffreys' mean."""
    found = changing_rate([True] * 10 + [False] * 3 + [True])
    rates, ends = found.draw(np.random.default_rng(2), 100_000), found.interval(0.9)
    assert pytest.approx(found.mean, abs=0.005) == rates.mean()
    assert pytest.approx([0.05, 0.05], abs=0.005) == [(rates < ends.low).mean(), (rates > ends.high).mean()]
    assert pytest.approx(11.5 / 15, abs=SAME_FORMULA) == found.unchanged


def test_no_verdict_is_refused():
    """At least one verdict is required."""
    with pytest.raises(ValueError, match="at least one verdict"):
        changing_rate([])
