"""Exact boundaries of the answers about an uncertainty, including the rounding tolerance. Source: this project's rules."""

import math

import numpy as np
import pytest

from lots.domain.conformity.guard import (
    _directions,
    conformance_of_difference,
    conformance_probability,
    guard_band,
    more_to_settle,
    proof_band,
)
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.length import Length

CUBE = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
CERTAIN = Uncertainty.known(0.0)


@pytest.mark.parametrize(("beyond", "expected"), [(0, 1.0), (1, 1.0), (2, 0.0)])
def test_what_is_certain_conforms_up_to_its_ends_and_rounding(beyond, expected):
    """A certain value conforms up to each end plus rounding, for one-sided and two-sided limits."""
    past = beyond * BINARY_NOISE
    for low, high in ((0.0, None), (0.0, 1.0)):
        assert expected == conformance_probability(-past, CERTAIN, low, high)
    for low, high in ((None, 0.0), (-1.0, 0.0)):
        assert expected == conformance_probability(past, CERTAIN, low, high)


@pytest.mark.parametrize(("beyond", "expected"), [(0, 1.0), (1, 1.0), (2, 0.0)])
def test_a_difference_that_is_certain_conforms_up_to_its_limit_and_rounding(beyond, expected):
    """A certain difference conforms up to its limit plus rounding, also for a limit of 0."""
    assert expected == conformance_of_difference((beyond * BINARY_NOISE, 0.0, 0.0), (0.0, 0.0, 0.0), CUBE, 0.0)


def test_a_metric_that_rounding_takes_below_zero_measures_no_difference():
    """A squared length that rounding makes negative counts as 0."""
    metric = ((-1e-18, 0.0, 0.0), *CUBE[1:])
    assert 1.0 == conformance_of_difference((1.0, 0.0, 0.0), (0.1, 0.1, 0.1), metric, 1.0)


def test_a_guard_band_as_wide_as_the_margin_settles():
    """Four readings for one halve a spread of 2; the guard band is then z, and a margin shorter by a thousand millionth is enough."""
    scatter = Uncertainty((Contribution(2.0, shrinks=True),))
    assert [3, 3, 4] == [more_to_settle(1.0, 1 + by * 1e-9, scatter, 1) for by in (0, 1, 2)]


def test_a_length_far_from_zero_has_the_bands_of_a_value():
    """A length of a thousand standard uncertainties in one direction is normal about the measured value, on both sides."""
    length = Length(1000.0, Uncertainty.known(1.0))
    assert pytest.approx(1.645, abs=1e-6) == proof_band(1000.0, length, 1.645)
    assert pytest.approx(1.645, abs=1e-6) == guard_band(1000.0, length, 1.645)
    assert pytest.approx(0.95, abs=1e-4) == conformance_probability(1000.0, length, None, 1001.645)


def test_a_length_without_an_upper_limit_conforms():
    """A length without an upper limit always conforms."""
    assert 1.0 == conformance_probability(1.0, Length(1.0, Uncertainty.known(0.1)), 0.0, None)


def test_directions_are_spread_evenly():
    """Of a thousand directions no two are nearer than 85 % of an even spacing, each has its opposite, and all have length 1."""
    found = _directions()
    assert 1000 == len(found)
    half = found[: len(found) // 2]
    apart = np.linalg.norm(half[:, None] - half[None], axis=2) + 9 * np.eye(len(half))
    assert apart.min() > 0.85 * math.sqrt(4 * math.pi / len(half))
    assert np.array_equal(-half, found[len(half) :])
    assert np.allclose(1.0, np.linalg.norm(found, axis=1))
