"""Differences from the control spool. Source: the paired comparison of the NIST/SEMATECH e-Handbook, 7.3.1; means by scipy.stats.ttest_rel."""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_rel

from lots.domain.characteristics.declaring.control_difference import control_difference, lacking_control
from lots.domain.characteristics.declaring.origin import UNKNOWN, Origin
from tests.examples import examples
from tests.tolerances import SAME_SUM


@dataclass(frozen=True)
class Print:
    """A print with one figure."""

    value: float
    origin: Origin = UNKNOWN
    uncertainty: float | None = 0.02
    resolution: float | None = None
    length: float = 100.0


def printed(value, build, printer="P1", **more):
    """A print of a build."""
    return Print(value, Origin(printer=printer, build=build), **more)


def difference(own, controls):
    """Lot minus control."""
    return control_difference(own, controls, lambda one: one.value, lambda one: one.length)


def test_the_printer_cancels_within_each_build():
    """On two printers 0.15 apart, the mean of the paired differences is that of scipy's paired test."""
    lot, control = [0.34, 0.52], [0.30, 0.45]
    own = [printed(value, f"B{n}") for n, value in enumerate(lot)]
    found = difference(own, [printed(value, f"B{n}") for n, value in enumerate(control)])
    paired = ttest_rel(lot, control)
    expected = sum(paired.confidence_interval(0.95)) / 2
    assert pytest.approx(expected, abs=SAME_SUM) == found.value
    assert (2, 2, ("B0", "B1")) == (found.n, found.controls, found.builds)


def test_a_control_of_another_build_or_length_never_enters():
    """Only control prints of the same build and length are compared."""
    own = [printed(0.5, "B1")]
    assert difference(own, [printed(0.1, "B2"), printed(0.1, "B1", "P2"), printed(0.1, "B1", length=50.0)]) is None
    assert difference([Print(0.5)], [Print(0.1)]) is None


def test_the_uncertainty_is_that_of_both_means():
    """0.02 in lot and control gives 0.028 in their difference, and half the root of two such squares in the mean of two builds (by hand)."""
    one = difference([printed(0.5, "B1")], [printed(0.3, "B1")])
    assert pytest.approx(0.02 * 2**0.5) == one.uncertainty.total
    both = [printed(0.5, "B1"), printed(0.5, "B2")]
    two = difference(both, [printed(0.3, "B1"), printed(0.3, "B2")])
    assert pytest.approx(0.02) == two.uncertainty.total
    assert difference([printed(0.5, "B1", uncertainty=None)], [printed(0.3, "B1")]).uncertainty is None


def test_what_lacks_names_the_build():
    """A lot printed in build B7 asks for a control of B7."""
    own = [printed(0.5, "B7")]
    asked = (lambda one: one.length, "a coupon")
    assert "print a coupon of the control spool in build B7" == lacking_control(own, [], *asked)
    assert "" == lacking_control(own, [printed(0.3, "B7")], *asked)
    assert "print a coupon of the control spool in the same build as the lot" == lacking_control([], [], *asked)


@examples(60)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=6), st.floats(-1, 1))
def test_what_a_printer_adds_to_both_changes_nothing(values, shift):
    """A shift common to lot and control does not change their difference."""
    own = [printed(value, "B1") for value in values]
    before = difference(own, [printed(0.3, "B1")])
    after = difference([printed(value + shift, "B1") for value in values], [printed(0.3 + shift, "B1")])
    assert pytest.approx(before.value, abs=1e-12) == after.value
