"""Benjamini and Hochberg's procedure: the example of their paper, scipy's own implementation, and its laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from lots.domain.statistics.false_discovery import discoveries

# Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289-300, section 3.2 (thrombolysis after myocardial infarction), from memory.
PAPER = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0000),
]
P = st.floats(0, 1)


def test_the_example_of_the_paper():
    """Of 15 hypotheses at a rate of 0.05 the first four are rejected."""
    assert [True] * 4 + [False] * 11 == discoveries(PAPER, 0.05)


def test_the_order_of_tests_does_not_matter():
    """Each keeps its result in any position."""
    order = np.random.default_rng(1).permutation(15)
    assert [place < 4 for place in order] == discoveries([PAPER[place] for place in order], 0.05)


def test_no_test_has_no_discovery():
    """An empty list gives an empty list."""
    assert [] == discoveries([], 0.1)


@given(p=st.lists(P, min_size=1, max_size=40))
def test_scipy_rejects_the_same(p):
    """The adjusted p-values of scipy are at most the rate exactly where a discovery is made, but for a last bit."""
    adjusted = false_discovery_control(p, method="bh")
    for found, value in zip(discoveries(p, 0.1), adjusted, strict=True):
        assert found == (value <= 0.1) or value == pytest.approx(0.1, rel=1e-12)


@given(p=st.lists(P, min_size=1, max_size=40), data=st.data())
def test_a_smaller_p_value_drops_nothing(p, data):
    """A discovery remains when its own or another p-value decreases."""
    at = data.draw(st.integers(0, len(p) - 1))
    lower = [*p[:at], data.draw(st.floats(0, p[at])), *p[at + 1 :]]
    assert all(after >= before for before, after in zip(discoveries(p, 0.1), discoveries(lower, 0.1), strict=True))


@pytest.mark.parametrize(("p", "rate"), [([0.5, -0.1], 0.1), ([1.1], 0.1), ([0.5], 0.0), ([float("nan")], 0.1)])
def test_what_is_no_probability_is_refused(p, rate):
    """A p-value outside 0 to 1 and a rate of 0 raise."""
    with pytest.raises(ValueError, match="between 0 and 1"):
        discoveries(p, rate)
