"""Required number of readings. Sources: scipy's Student's t as a second implementation; simulation of Stein's theorem; colour-science for L*."""

import math
import warnings

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.stats import binomtest
from scipy.stats import t as student

from lots.domain.conformity.guard import OUT_OF_REACH
from lots.domain.conformity.limits import Limit
from lots.domain.replicates.scatter import Replicates, Scatter, for_decision, pooled_scatter
from tests.domain.strategies import numbers, steps
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

with warnings.catch_warnings():
    # colour-science warns when matplotlib is missing; nothing is drawn here.
    warnings.simplefilter("ignore")

SCATTERS = st.builds(Scatter, numbers(0.001, 1), st.one_of(st.none(), st.integers(1, 40)))
ONE_SIDED = Limit(None, 1.0)


def half_width(n: int, sd: float, confidence: float = 0.95) -> float:
    """Half width of the confidence interval of a mean, by scipy."""
    return float(student.interval(confidence, n - 1, 0, sd / math.sqrt(n))[1])


def for_room(scatter: Scatter | None, room: float, confidence: float = 0.95) -> Replicates:
    """The numbers for a mean this far inside its limit."""
    return for_decision(0.0, Limit(None, room), scatter, confidence=confidence)


def one_by_one(sd: float, tolerance: float, confidence: float = 0.95) -> int:
    """The least number, by trying each."""
    return next(n for n in range(2, OUT_OF_REACH + 1) if half_width(n, sd, confidence) <= tolerance)


@pytest.mark.parametrize("ratio", [0.05, 0.3, 1.0, 2.0, 5.0, 10.0])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_the_least_number_is_the_first_that_is_enough(ratio, confidence):
    """The number found by bisection is the least by trying each number (scipy)."""
    assert one_by_one(ratio, 1.0, confidence) == for_room(Scatter(ratio, None), 1.0, confidence).n


@pytest.mark.parametrize(("df", "expected"), [(4, 31), (9, 21), (None, 16)])
def test_an_estimated_scatter_asks_for_more(df, expected):
    """A spread of twice the tolerance needs (t * 2)^2 readings, t 2.776 at 4 and 2.262 at 9 degrees of freedom, 1.960 where known (t tables)."""
    assert expected == for_room(Scatter(0.1, df), 0.05).sure


def test_the_promise_holds_though_the_scatter_is_estimated():
    """After five pilot readings and as many more as `sure`, the mean is within the tolerance in at least 95 % of 4000 shops (Stein 1945; seed 1).

    With `n` in place of `sure` the interval's upper end lies below 95 %.
    """
    rng, within = np.random.default_rng(1), {"sure": 0, "n": 0}
    for pilot in rng.normal(0, 1, (4000, 5)):
        found = for_room(pooled_scatter([pilot.tolist()]), 0.3)
        for name in within:
            total = max(getattr(found, name), 5)
            mean = (pilot.sum() + rng.normal(0, math.sqrt(total - 5) if total > 5 else 0.0)) / total
            within[name] += bool(abs(mean) <= 0.3)
    assert binomtest(within["sure"], 4000).proportion_ci(0.999).high >= 0.95
    assert binomtest(within["n"], 4000).proportion_ci(0.999).high < 0.95


def test_scatter_is_pooled_over_spools_whose_means_differ():
    """Sums of squares 2, 0 and 0 over 2 degrees of freedom (by hand); a spool with one reading gives nothing."""
    assert Scatter(1.0, 2) == pooled_scatter([[1.0, 3.0], [7.0], [5.0, 5.0], []])


@pytest.mark.parametrize("groups", [[], [[1.0]], [[1.0], [2.0]], [[1.75, 1.75, 1.75]], [[0.1 + 0.2, 0.3]]])
def test_no_scatter_seen_is_not_no_scatter(groups):
    """Single or identical readings give no spread and no number; a known repeatability gives both."""
    assert None is pooled_scatter(groups)
    found = for_room(None, 0.1)
    assert (None, None, None) == (found.n, found.sure, found.noise)
    assert "Measure a spool at least twice" in found.says
    assert Scatter(0.02, None) == pooled_scatter(groups, repeatability=0.02)


def test_the_instrument_sets_a_floor():
    """Three readings within 0.001 of an instrument that repeats to 0.05 have the larger spread."""
    lucky = [[18.000, 18.001, 18.000]]
    assert 2 == for_room(pooled_scatter(lucky), 0.05).n
    assert one_by_one(0.05, 0.05) == for_room(pooled_scatter(lucky, repeatability=0.05), 0.05).n


@pytest.mark.parametrize("mean", [0.8, 1.2])
def test_a_decision_is_clear_when_the_interval_does_not_reach_the_limit(mean):
    """A mean 0.2 from the limit, with a spread of 0.2, needs seven readings (2.447 / sqrt(7) is below 1, 2.571 / sqrt(6) is not)."""
    found = for_decision(mean, ONE_SIDED, Scatter(0.2, None))
    assert 7 == found.n
    assert f"is {'inside' if mean < 1 else 'outside'}" in found.says
    assert half_width(7, 0.2) < 0.2 < half_width(6, 0.2)


def test_of_two_ends_the_nearer_counts():
    """1.77 between 1.72 and 1.78 is 0.01 from its limit."""
    there = for_decision(1.77, Limit(1.72, 1.78, "mm"), Scatter(0.02, None)).n
    assert one_by_one(0.02, 0.01) == there


@pytest.mark.parametrize("mean", [1.0, 1.0 + 1e-12, 0.1 * 3 + 0.7])
def test_on_the_limit_no_number_is_enough(mean):
    """A mean on its limit, or off it by rounding, is never settled."""
    found = for_decision(mean, ONE_SIDED, Scatter(1e-6, None))
    assert (None, None) == (found.n, found.sure)
    assert "No number of readings can settle a mean that lies on its limit" in found.says


def test_the_instruments_own_uncertainty_is_not_read_away():
    """At 0.1 from the limit, u 0.06 (0.118 at 95 %) is never enough; with 0.03 the remaining margin is sqrt(0.1^2 - 0.0588^2)."""
    beyond = for_decision(0.9, ONE_SIDED, Scatter(0.1, None), instrument=0.06)
    assert None is beyond.n
    assert "within the instrument's uncertainty of 0.12" in beyond.says
    left = math.sqrt(0.1**2 - (1.959964 * 0.03) ** 2)
    assert one_by_one(0.1, left) == for_decision(0.9, ONE_SIDED, Scatter(0.1, None), instrument=0.03).n


def test_a_number_nobody_takes_is_none():
    """A spread of 50 times the margin needs some ten thousand readings, so no number is given, with the reason."""
    found = for_room(Scatter(5.0, None), 0.1)
    assert None is found.n
    assert (
        "More than 1000 readings would be needed, since the standard deviation of one is 50 times the margin."
        in found.says
    )


def test_the_words_say_what_the_numbers_are():
    """The sentence gives both numbers, or one where they are equal."""
    says = for_room(Scatter(0.1, 9), 0.05).says
    assert (
        "18 readings in all show with 95 % confidence that a mean here is inside. Stein's method for an estimated standard deviation needs 21."
        == says
    )
    assert (
        "2 readings in all show with 95 % confidence that a mean here is inside."
        == for_room(Scatter(0.01, None), 1.0).says
    )
    assert "needs more than 1000." in for_room(Scatter(1.0, 1), 0.2).says


@given(SCATTERS, numbers(0.02, 2), st.sampled_from((0.25, 8.0)))
def test_the_unit_does_not_matter(scatter, tolerance, factor):
    """Spread and tolerance in another unit give the same numbers."""
    scaled = for_room(Scatter(scatter.sd * factor, scatter.df), tolerance * factor)
    found = for_room(scatter, tolerance)
    assert (found.n, found.sure, found.noise) == (scaled.n, scaled.sure, scaled.noise)


@given(SCATTERS, numbers(0.02, 2), numbers(1, 3))
def test_more_scatter_or_less_room_never_takes_fewer(scatter, tolerance, factor):
    """Both numbers grow with spread and confidence, and fall with the tolerance; None counts as the largest."""

    def both(found):
        return [math.inf if number is None else number for number in (found.n, found.sure)]

    plain = both(for_room(scatter, tolerance))
    for harder in (
        for_room(Scatter(scatter.sd * factor, scatter.df), tolerance),
        for_room(scatter, tolerance / factor),
        for_room(scatter, tolerance, confidence=0.99),
    ):
        assert all(few <= many for few, many in zip(plain, both(harder), strict=True))


@given(SCATTERS, numbers(0.02, 2))
def test_one_reading_fewer_would_not_do(scatter, tolerance):
    """The interval of n readings fits into the tolerance and that of n - 1 does not (scipy)."""
    n = for_room(scatter, tolerance).n
    assume(n is not None)
    assert half_width(n, scatter.sd) <= tolerance * (1 + SAME_FORMULA)
    assert 2 == n or half_width(n - 1, scatter.sd) > tolerance


@examples(50)
@given(steps(0, 2, 0.05), SCATTERS, numbers(0, 0.2))
@example(1.0, Scatter(0.1, 3), 0.0)
def test_a_decision_is_a_tolerance_of_the_distance(mean, scatter, instrument):
    """Without an instrument's uncertainty the number is that for the distance to the limit; with it, never smaller."""
    alone, with_it = (for_decision(mean, ONE_SIDED, scatter, own).n for own in (0.0, instrument))
    if abs(1 - mean) > 1e-9:
        assert for_room(scatter, abs(1 - mean)).n == alone
    assert with_it is None or (alone is not None and with_it >= alone)


@given(st.lists(st.lists(steps(0, 2, 0.1), max_size=5), max_size=5), numbers(-3, 3), numbers(0, 0.5))
def test_where_the_spools_lie_does_not_matter(groups, shift, floor):
    """Shifting one spool's readings, or reordering spools, changes no spread, which is never below the floor."""
    moved = [[value + shift for value in group] if number == 0 else group for number, group in enumerate(groups)]
    found, again = pooled_scatter(groups, floor), pooled_scatter(moved[::-1], floor)
    assert (found is None) == (again is None)
    if found is not None:
        assert pytest.approx(found.sd, abs=SAME_FORMULA) == again.sd
        assert found.sd >= floor


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Scatter(0.0, 3), "sd is 0.0"),
        (lambda: Scatter(math.nan, 3), "sd is nan"),
        (lambda: Scatter(0.1, 0), "df is 0"),
        (lambda: pooled_scatter([[1.0, math.nan]]), "finite"),
        (lambda: pooled_scatter([[1.0, 2.0]], -1.0), "repeatability is -1.0"),
        (lambda: for_room(Scatter(0.1, 3), 1.0, 1.0), "confidence is 1.0"),
        (lambda: for_decision(math.nan, ONE_SIDED, Scatter(0.1, 3)), "mean is nan"),
        (lambda: for_decision(0.5, ONE_SIDED, Scatter(0.1, 3), -0.1), "instrument is -0.1"),
        (lambda: for_decision(0.5, ONE_SIDED, Scatter(0.1, 3), 0.0, 0.0), "confidence is 0.0"),
    ],
)
def test_nonsense_is_refused(call, says):
    """A number out of range raises a ValueError that names it."""
    with pytest.raises(ValueError, match=says):
        call()
