"""What a verdict takes for granted where nothing is said, and where each of its boundaries lies. Source: this project's rules."""

import pytest

from lots.domain.conformity.judgement import UNCERTAINTY_NEEDED, Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from tests.domain.builders import GUARDED, SIMPLE

CODE = "bond.mean"
LIMIT = Limit(20.0, None, "MPa")
BELOW_ZERO = Limit(None, 0.0, "MPa")


def test_a_value_of_several_readings_is_settled_by_repeating():
    """Unless it is said to be one reading by itself, a missing uncertainty can come from two readings."""
    assert UNCERTAINTY_NEEDED == judge(CODE, Measured(21.0, 2), LIMIT, GUARDED).to_measure


@pytest.mark.parametrize("value", [None, 15.0, 21.0])
def test_what_is_lacking_asks_for_no_spools_and_concludes_nothing_unless_it_says_so(value):
    """Inside or outside the limit, or without a value, the finding is missing and wants no spool more."""
    found = judge(CODE, Measured(value, 2), LIMIT, SIMPLE, todo=ToDo("a second bar"))
    assert ("missing", "a second bar", 0, False) == (found.verdict, found.to_measure, found.more_spools, found.hold)


def test_a_value_that_nobody_measured_wants_the_spools_that_are_lacking():
    """As many as were named with what is lacking; with nothing lacking, a first reading and no spool."""
    asked = [judge(CODE, Measured(None, 0), LIMIT, SIMPLE, todo=ToDo(lacking, 2)) for lacking in ("two spools", "")]
    assert [("two spools", 2), ("take a first reading", 0)] == [(one.to_measure, one.more_spools) for one in asked]


def test_a_value_that_nobody_measured_rests_on_nothing():
    """It is counted as none of what it would rest on."""
    found = unmeasured(CODE, LIMIT, SIMPLE, "two bars", "bars")
    assert ("missing", None, 0, "bars", "two bars") == (
        found.verdict,
        found.value,
        found.n,
        found.counted,
        found.to_measure,
    )


def test_without_a_value_an_uncertainty_tells_nothing_of_its_limit():
    """It is kept; there is neither a guard band nor a probability, and the method is not called too coarse."""
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
    """It replaces the one that follows from the uncertainty."""
    assert told == judge(CODE, Measured(21.0, 2, uncertainty=u, conformance=0.4), LIMIT, SIMPLE).conformance


@pytest.mark.parametrize(("u", "known"), [(BINARY_NOISE, None), (2 * BINARY_NOISE, 2 * BINARY_NOISE)])
def test_an_uncertainty_of_rounding_alone_is_unknown(u, known):
    """Up to the noise of a subtraction it counts as none at all."""
    found = judge(CODE, Measured(21.0, 2, uncertainty=u), LIMIT, GUARDED)
    assert (known, "missing" if known is None else "pass") == (found.uncertainty, found.verdict)


@pytest.mark.parametrize(("beyond", "proof"), [(0, "not proved"), (1, "not proved"), (2, "proved")])
def test_a_failure_is_proved_beyond_its_guard_band(beyond, proof):
    """A value on the end of the band, or beyond it by no more than rounding, is not proved to fail."""
    measured = Measured(0.5 + beyond * BINARY_NOISE, 2, guard=0.5)
    assert proof == judge(CODE, measured, BELOW_ZERO, SIMPLE).proof


@pytest.mark.parametrize(("short", "verdict"), [(0, "pass"), (1, "pass"), (2, "near")])
def test_a_value_passes_as_far_inside_as_its_guard_band(short, verdict):
    """A margin as wide as the band is wide enough, also where it is narrower by no more than rounding."""
    measured = Measured(-(0.5 - short * BINARY_NOISE), 2, guard=0.5)
    assert verdict == judge(CODE, measured, BELOW_ZERO, GUARDED).verdict
