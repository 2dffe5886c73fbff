"""Defaults of a verdict and its exact boundaries. Source: this project's rules."""

import pytest

from lots.domain.conformity.judgement import UNCERTAINTY_NEEDED, Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from tests.domain.builders import GUARDED, SIMPLE

CODE = "bond.mean"
LIMIT = Limit(20.0, None, "MPa")
BELOW_ZERO = Limit(None, 0.0, "MPa")


def test_a_value_of_several_readings_is_settled_by_repeating():
    """A missing uncertainty can come from two readings, unless the value is a single reading."""
    assert UNCERTAINTY_NEEDED == judge(CODE, Measured(21.0, 2), LIMIT, GUARDED).to_measure


@pytest.mark.parametrize("value", [None, 15.0, 21.0])
def test_what_is_lacking_asks_for_no_spools_and_concludes_nothing_unless_it_says_so(value):
    """An incomplete value is missing, inside or outside the limit, and requests no more spools by default."""
    found = judge(CODE, Measured(value, 2), LIMIT, SIMPLE, todo=ToDo("a second bar"))
    assert ("missing", "a second bar", 0, False) == (found.verdict, found.to_measure, found.more_spools, found.hold)


def test_a_value_that_nobody_measured_wants_the_spools_that_are_lacking():
    """An unmeasured value requests the missing number of spools, or a first reading where none is missing."""
    asked = [judge(CODE, Measured(None, 0), LIMIT, SIMPLE, todo=ToDo(lacking, 2)) for lacking in ("two spools", "")]
    assert [("two spools", 2), ("take a first reading", 0)] == [(one.to_measure, one.more_spools) for one in asked]


def test_a_value_that_nobody_measured_rests_on_nothing():
    """An unmeasured value has n = 0."""
    found = unmeasured(CODE, LIMIT, SIMPLE, "two bars", "bars")
    assert ("missing", None, 0, "bars", "two bars") == (
        found.verdict,
        found.value,
        found.n,
        found.counted,
        found.to_measure,
    )


def test_without_a_value_an_uncertainty_tells_nothing_of_its_limit():
    """Without a value an uncertainty gives no guard band, no probability and no warning of a coarse method."""
    found = judge(CODE, Measured(None, 0, uncertainty=50.0, conformance=0.4), LIMIT, GUARDED)
    assert ("missing", 50.0, None, None, False) == (
        found.verdict,
        found.uncertainty,
        found.guard,
        found.conformance,
        found.coarse,
    )


@pytest.mark.parametrize(("u", "told"), [(0.5, 0.4), (None, None)])
def test_a_stated_probability_counts_where_the_uncertainty_is_known(u, told):
    """A stated probability replaces the one computed from the uncertainty."""
    assert told == judge(CODE, Measured(21.0, 2, uncertainty=u, conformance=0.4), LIMIT, SIMPLE).conformance


@pytest.mark.parametrize(("u", "known"), [(BINARY_NOISE, None), (2 * BINARY_NOISE, 2 * BINARY_NOISE)])
def test_an_uncertainty_of_rounding_alone_is_unknown(u, known):
    """An uncertainty within the noise of a subtraction counts as unknown."""
    found = judge(CODE, Measured(21.0, 2, uncertainty=u), LIMIT, GUARDED)
    assert (known, "missing" if known is None else "pass") == (found.uncertainty, found.verdict)


@pytest.mark.parametrize(("beyond", "proof"), [(0, "not proved"), (1, "not proved"), (2, "proved")])
def test_a_failure_is_proved_beyond_its_guard_band(beyond, proof):
    """A value at the end of the guard band, or beyond it by rounding alone, is not proved to fail."""
    measured = Measured(0.5 + beyond * BINARY_NOISE, 2, guard=0.5)
    assert proof == judge(CODE, measured, BELOW_ZERO, SIMPLE).proof


@pytest.mark.parametrize(("short", "verdict"), [(0, "pass"), (1, "pass"), (2, "near")])
def test_a_value_passes_as_far_inside_as_its_guard_band(short, verdict):
    """A margin equal to the guard band passes, also where rounding makes it narrower."""
    measured = Measured(-(0.5 - short * BINARY_NOISE), 2, guard=0.5)
    assert verdict == judge(CODE, measured, BELOW_ZERO, GUARDED).verdict
