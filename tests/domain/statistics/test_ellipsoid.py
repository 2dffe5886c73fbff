"""Confidence ellipsoids. Source: Johnson and Wichern, examples 5.1 to 5.3, in the reference files."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import f

from lots.domain.statistics.ellipsoid import Ellipsoid, confidence_ellipsoid
from tests.domain.builders import reference_json
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import NEARLY_DEPENDENT, PRINTED_3, ROUNDED_COVARIANCE, ROUNDED_F, SAME_FORMULA, SAME_SUM

SWEAT, THREE = (case["result"] for case in reference_json("hotelling.json")["one_sample"])
RADIATION = reference_json("radiation_means.json")
LABS = st.tuples(steps(93, 97, 0.1), steps(-2, 1, 0.1), steps(0, 3, 0.1))


def t_squared(rows, point) -> float:
    """Hotelling's T2 of a point, from its definition."""
    rows, n = np.asarray(rows), len(rows)
    apart = rows.mean(axis=0) - np.asarray(point)
    return float(n * apart @ np.linalg.inv(np.cov(rows.T)) @ apart)


def limit(n: int, p: int, confidence: float) -> float:
    """The limit of T² at this confidence."""
    return p * (n - 1) / (n - p) * f.ppf(confidence, p, n - p)


def test_the_second_coding_is_the_published_one():
    """T2 is 9.74 and its 90 % limit 8.18 for the sweat data, T2 7/9 for three rows (Johnson and Wichern, examples 5.1 and 5.2)."""
    assert 9.74 == round(t_squared(SWEAT["X"], SWEAT["mu0"]), 2)
    # The book takes F as 2.44; unrounded the limit is 8.173.
    assert pytest.approx(8.18, abs=ROUNDED_F) == limit(20, 3, 0.90)
    assert pytest.approx(7 / 9, abs=SAME_FORMULA) == t_squared(THREE["X"], THREE["mu0"])


def test_a_mean_that_90_percent_rule_out_and_95_do_not():
    """The sweat data's point (4, 50, 10), T2 9.74, lies outside the 90 % ellipsoid (8.17) and inside the 95 % one (10.72)."""
    assert not confidence_ellipsoid(SWEAT["X"], 0.90).contains(SWEAT["mu0"])
    assert confidence_ellipsoid(SWEAT["X"], 0.95).contains(SWEAT["mu0"])


def test_the_axes_are_those_of_the_covariance():
    """Half lengths are roots of eigenvalues times the root of the limit over n; directions are eigenvectors (section 5.4; numpy)."""
    found = confidence_ellipsoid(SWEAT["X"], 0.95)
    sizes, directions = np.linalg.eigh(np.array(SWEAT["cov"]))
    expected = np.sqrt(sizes[::-1] * limit(20, 3, 0.95) / 20)
    assert pytest.approx(tuple(SWEAT["mean"]), abs=SAME_FORMULA) == found.centre
    assert pytest.approx(tuple(expected), abs=ROUNDED_COVARIANCE) == tuple(half for half, _ in found.axes)
    for (_, direction), along in zip(found.axes, directions.T[::-1], strict=True):
        assert pytest.approx(1.0, abs=ROUNDED_COVARIANCE) == abs(along @ np.array(direction))
        assert max(direction, key=abs) > 0


def test_the_ellipse_of_the_radiation_data():
    """Major half length 0.064 along (0.704, 0.710) about (0.564, 0.603), with (0.562, 0.589) inside (Johnson and Wichern, example 5.3)."""
    found, published = confidence_ellipsoid(np.array(RADIATION["rows_to_the_fourth"]) ** 0.25), RADIATION["published"]
    half, direction = found.axes[0]
    assert pytest.approx(published["half_length_major"], abs=PRINTED_3) == half
    assert pytest.approx(tuple(published["direction_major"]), abs=PRINTED_3) == direction
    assert pytest.approx(tuple(published["mean"]), abs=PRINTED_3) == found.centre
    assert found.contains(published["inside_95"])
    assert (42, 0.95) == (found.n, found.confidence)


@examples(150)
@given(rows=st.lists(LABS, min_size=4, max_size=12), point=LABS, confidence=st.floats(0.5, 0.999))
def test_a_point_is_inside_when_its_t2_is_within_the_limit(rows, point, confidence):
    """The ellipsoid contains exactly the points whose T² does not exceed its limit; coplanar rows have none."""
    found = confidence_ellipsoid(rows, confidence)
    if found is None:
        assert np.linalg.matrix_rank(np.array(rows) - np.mean(rows, axis=0), tol=1e-10) < 3
        return
    ratio = t_squared(rows, point) / limit(len(rows), 3, confidence)
    if abs(ratio - 1) > NEARLY_DEPENDENT:
        assert bool(ratio <= 1) is found.contains(point)
    assert found.contains(found.centre)


@examples(60)
@given(rows=st.lists(LABS, min_size=5, max_size=12), by=st.sampled_from((0.01, 3.0, 1000.0)))
def test_moving_and_stretching(rows, by):
    """Adding a colour to every row moves the centre alone; a multiple of every row multiplies the half lengths."""
    found = confidence_ellipsoid(rows)
    moved = confidence_ellipsoid([[value + 1 for value in row] for row in rows])
    stretched = confidence_ellipsoid([[value * by for value in row] for row in rows])
    assert (found is None) is (moved is None) is (stretched is None)
    if found is not None:
        halves = [half for half, _ in found.axes]
        assert pytest.approx(halves, abs=NEARLY_DEPENDENT) == [half for half, _ in moved.axes]
        assert pytest.approx([half * by for half in halves], rel=NEARLY_DEPENDENT) == [
            half for half, _ in stretched.axes
        ]
        assert pytest.approx([at + 1 for at in found.centre], abs=SAME_FORMULA) == list(moved.centre)


@pytest.mark.parametrize(
    "rows",
    [
        [],
        [[1.0, 2.0]],
        [[1.0, 2.0, 3.0], [2.0, 1.0, 3.5], [0.0, 2.0, 2.5]],
        [[0.1 * i, 0.3 * i, -0.7 * i] for i in range(9)],
        [[95.0, -0.8, 1.5]] * 6,
        [[95.1 + 0.1 * i, -0.8 + 0.3 * i * i, 0.0] for i in range(6)],
        [[i, i * i, 1e9 + 2 * i - 3 * i * i] for i in range(6)],
    ],
    ids=["none", "one", "no-more-rows-than-coordinates", "on-a-line", "all-alike", "in-a-plane", "in-a-slant-plane"],
)
def test_rows_that_tell_nothing_in_some_direction_have_no_ellipsoid(rows):
    """Too few rows, or rows without spread beyond rounding in some direction, give None."""
    assert confidence_ellipsoid(rows) is None


def test_coordinates_of_very_different_size_are_not_taken_for_a_plane():
    """A coordinate in kilometres and one in nanometres give an ellipsoid."""
    rows = np.random.default_rng(1).normal(0, 1, (8, 2)) * [1e-9, 1e3]
    assert confidence_ellipsoid(rows.tolist()) is not None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"confidence": 1.0}, "confidence"),
        ({"axes": ((1.0, (1.0, 0.0)),)}, "as many axes"),
        ({"axes": ((1.0, (1.0, 0.0)), (0.0, (0.0, 1.0)))}, "half length"),
        ({"axes": ((1.0, (1.0, 0.0)), (math.nan, (0.0, 1.0)))}, "half length"),
    ],
)
def test_an_ellipsoid_refuses_nonsense(change, message):
    """A confidence of 1, a missing axis, or one without length raise."""
    right = {"centre": (0.0, 0.0), "axes": ((1.0, (1.0, 0.0)), (1.0, (0.0, 1.0))), "n": 5, "confidence": 0.9}
    assert Ellipsoid(**right).contains((0.6, 0.8 + SAME_SUM))
    with pytest.raises(ValueError, match=message):
        Ellipsoid(**{**right, **change})
