"""Change points. Sources: the definitions of Samuel et al. 1998 and of a linear trend, searched over every start; simulation."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from lots.domain.drift.change_point import Change, find_change
from lots.domain.drift.control_charts import cusum
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

THOROUGH = examples(300)
SERIES = st.lists(steps(-5, 5, 0.1), min_size=1, max_size=40)


def squares_left(z, index, shape):
    """The residual sum of squares of a shape fitted from a point on, and its size."""
    pattern = np.array([0.0] * index + [1.0 if shape == "step" else i + 1.0 for i in range(len(z) - index)])
    size = float(pattern @ z / (pattern @ pattern))
    return float(((z - size * pattern) ** 2).sum()), size


@pytest.mark.parametrize("n", [1, 2, 30])
@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("height", [1.5, -3.0])
def test_a_clean_step_begins_at_its_first_point(n, share, height):
    """From the first, a middle or the last point on: index, height and gain are exact."""
    first = round(share * (n - 1))
    found = find_change([0.0] * first + [height] * (n - first))
    assert ("step", first) == (found.kind, found.index)
    assert pytest.approx((height, height), abs=SAME_FORMULA) == (found.size, found.at_end)
    assert pytest.approx((n - first) * height**2, abs=SAME_FORMULA) == found.gain


@pytest.mark.parametrize("first", [0, 1, 10, 26])
@pytest.mark.parametrize("slope", [0.25, -0.5])
def test_a_clean_ramp_begins_at_its_first_point_off_the_line(first, slope):
    """The first changed point departs by one slope, the last by the number of changed points times the slope."""
    changed = 30 - first
    found = find_change([0.0] * first + [slope * (i + 1) for i in range(changed)])
    assert ("ramp", first) == (found.kind, found.index)
    assert pytest.approx((slope, slope * changed), abs=SAME_FORMULA) == (found.size, found.at_end)
    squares = changed * (changed + 1) * (2 * changed + 1) / 6
    assert pytest.approx(slope**2 * squares, abs=SAME_FORMULA) == found.gain


def test_a_single_last_point_off_is_a_step():
    """A single point fits a step and a ramp; the step is chosen."""
    assert Change("step", 3, 2.0, 2.0, 4.0) == find_change([0.0, 0.0, 0.0, 2.0])


@pytest.mark.parametrize("z", [[], [0.0], [0.0] * 20])
def test_nothing_that_departs_is_no_change(z):
    """No points, or points on the baseline mean, give no change."""
    assert None is find_change(z)


@THOROUGH
@given(z=SERIES)
def test_no_other_beginning_leaves_less(z):
    """No step or ramp has a smaller residual sum of squares, and the gain is the reduction."""
    assume(any(z))
    z = np.array(z)
    found = find_change(z)
    left = {(kind, index): squares_left(z, index, kind)[0] for kind in ("step", "ramp") for index in range(len(z))}
    assert pytest.approx(min(left.values()), abs=SAME_FORMULA) == left[found.kind, found.index]
    assert pytest.approx(float((z**2).sum()) - found.gain, abs=SAME_FORMULA) == left[found.kind, found.index]
    assert pytest.approx(squares_left(z, found.index, found.kind)[1], abs=SAME_FORMULA) == found.size


@THOROUGH
@given(z=SERIES)
def test_turning_a_series_over_turns_the_change_over(z):
    """The negated series changes at the same point, by the same amount the other way."""
    assume(any(z))
    found = find_change(z)
    turned = replace(found, size=-found.size, at_end=-found.at_end)
    assert turned == find_change([-value for value in z])


@THOROUGH
@given(z=SERIES, by=st.sampled_from((0.5, 2.0, 4.0)))
def test_a_larger_scale_moves_no_beginning(z, by):
    """Twice the departures: the same point, twice the size, four times the gain."""
    assume(any(z))
    found = find_change(z)
    scaled = Change(found.kind, found.index, found.size * by, found.at_end * by, found.gain * by**2)
    assert scaled == find_change([value * by for value in z])


def test_a_real_step_is_placed_near_its_beginning():
    """A step of 2 sigma at point 60, at the CUSUM signal: half of 400 at the very point, nine of ten within three of it."""
    rng = np.random.default_rng(11)
    errors = []
    for _ in range(400):
        z = rng.normal(size=90) + np.where(np.arange(90) >= 60, 2.0, 0.0)
        # A chart that alarmed before the step says nothing about it.
        called = 60 + np.flatnonzero(cusum(z).above[60:])[0]
        errors.append(abs(find_change(z[: called + 1]).index - 60))
    assert np.median(errors) == 0
    assert np.quantile(errors, 0.9) <= 3


def test_a_real_ramp_is_called_a_ramp():
    """For a drift of 0.2 sigma per point over 40 points, 95 of 100 series are identified as a ramp."""
    rng = np.random.default_rng(12)
    drift = np.maximum(0, np.arange(100) - 59) * 0.2
    kinds = [find_change(rng.normal(size=100) + drift).kind for _ in range(400)]
    assert kinds.count("ramp") >= 380


def test_both_estimates_of_a_clean_step_agree():
    """The likelihood names the first point after the CUSUM last stood at zero (Montgomery, Introduction to Statistical Quality Control, on cumulative sums)."""
    z = [0.0] * 12 + [2.5] * 4
    last_zero = int(np.flatnonzero(cusum(z).high == 0)[-1])
    assert 12 == find_change(z).index == last_zero + 1


@pytest.mark.parametrize("wrong", [{"index": -1}, {"gain": 0.0}, {"size": math.nan}, {"at_end": math.inf}])
def test_a_change_that_cannot_be_is_refused(wrong):
    """A negative index, a gain of 0, and an invalid size are rejected."""
    with pytest.raises(ValueError, match="a change"):
        replace(find_change([1.0]), **wrong)


def test_a_gap_is_refused():
    """A value that is not finite is rejected."""
    with pytest.raises(ValueError, match="at index 1"):
        find_change([0.0, math.nan])
