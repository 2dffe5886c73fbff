"""Settings belong to a printer. Machines differ by 0.1 to 0.2 % of shrinkage: common practice, no source."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.production.print_settings import PrinterOffset, Shrunk, for_printer, strength_caution
from tests.domain.strategies import numbers

P1, P2 = Shrunk(0.30, 0.02, "P1"), Shrunk(0.50, 0.02, "P2")
BOTH = Shrunk(0.40, 0.07)


def test_coupons_of_the_asked_machine_decide():
    """Of coupons on two printers those of the machine give its scale, in any spelling of its name."""
    found = for_printer({"P1": {"x": P1}, "P2": {"x": P2}}, {"x": BOTH}, "p 2")
    assert ({"x": P2}, "P2", ()) == (found.axes, found.measured_on, found.cautions)


def test_without_a_machine_the_lot_s_scales_come_with_their_printers():
    """Without a machine the lot's scales name their printers, without a caution."""
    found = for_printer({"P1": {"x": P1}, "P2": {"x": P2}}, {"x": BOTH}, None)
    assert ({"x": BOTH}, "P1 and P2", ()) == (found.axes, found.measured_on, found.cautions)


def test_an_axis_that_was_not_measured_there_comes_with_a_caution():
    """X was measured on P2 and Z on P1 alone, so Z has a caution with 0.15 % added."""
    found = for_printer({"P2": {"x": P2}, "P1": {"z": P1}}, {"x": P2, "z": P1}, "P2")
    assert (P2, pytest.approx(math.hypot(0.02, 0.15))) == (found.axes["x"], found.axes["z"].uncertainty)
    told = "The scale factor along Z was measured on machine P1, not on P2. Machines differ by 0.1 to 0.2 %."
    assert ("P2", (told,)) == (found.measured_on, found.cautions)


def test_a_known_offset_corrects_and_adds_its_own_uncertainty():
    """P9 shrinks 0.12 % more than P1 with u 0.03 %: 0.42 % with the root sum of squares of 0.02 and 0.03."""
    found = for_printer({"P1": {"x": P1}}, {"x": P1}, "P9", {"x": PrinterOffset(0.12, 0.03)})
    one = found.axes["x"]
    assert (pytest.approx(0.42), pytest.approx(math.hypot(0.02, 0.03))) == (one.percent, one.uncertainty)
    told = "The scale factors were measured on machine P1 and corrected to P9 by control prints on both (X +0.12 %)."
    assert (told,) == found.cautions


@given(u=st.one_of(st.none(), numbers(0, 1)), machine=st.sampled_from(["P1", "P9", None]))
def test_another_printer_never_makes_a_scale_more_certain(u, machine):
    """A machine never lowers the uncertainty of a scale, and an unknown one stays unknown."""
    one = for_printer({"P1": {"x": Shrunk(0.3, u)}}, {"x": Shrunk(0.3, u)}, machine).axes["x"]
    assert one.uncertainty is None if u is None else one.uncertainty >= u


def test_bars_of_the_asked_machine_bring_no_caution():
    """There is no caution where one of the specimens' printers is the machine, or either is unknown."""
    assert "" == strength_caution({"P1": None, "P2": None}, "P2")
    assert "" == strength_caution({"P1": None}, None)
    assert "" == strength_caution({}, "P9")
