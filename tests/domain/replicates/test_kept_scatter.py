"""The spread that a lot stores, and that later lots take over."""

from statistics import variance

import pytest

from lots.domain.characteristics.declaring.estimate import earlier_from
from lots.domain.replicates.kept_scatter import MOST, kept_scatter, lent
from lots.domain.replicates.repeats import Repeat

FIGURE = "diameter.mean"


def read(spool, *values, start=1, instrument="M1", counts=True):
    """Readings of one spool with one instrument, numbered from `start`."""
    return [Repeat(FIGURE, value, (1,), start + i, spool, instrument, counts) for i, value in enumerate(values)]


def test_a_lot_keeps_its_spools_scatter_and_numbers():
    """The variance within each spool with repeats, and that of the spools' means, are as computed by hand."""
    kept = kept_scatter([*read("A", 1.0, 3.0), *read("B", 4.0, 6.0, start=3)])[FIGURE]["M1"]
    assert [[2, 2.0, [1, 2]], [2, 2.0, [3, 4]]] == kept["within"]
    assert [2, variance([2.0, 5.0]), 0.5] == kept["between"]


def test_what_nobody_vouches_for_is_not_lent():
    """Readings without an instrument and excluded ones are not taken over; a spool with one reading has no spread."""
    assert {} == kept_scatter([*read("A", 1.0, 3.0, instrument=""), *read("B", 1.0, 3.0, counts=False)])
    assert [] == kept_scatter(read("A", 1.0))[FIGURE]["M1"]["within"]


def test_a_later_lot_is_lent_ten_spools_of_the_grade_and_the_lots_of_its_supplier():
    """A later lot takes the ten newest spools of the grade, with reading numbers, and between-spool spread from its supplier alone."""
    of_grade = [
        kept_scatter([*read(f"A{i}", 1.0, 3.0, start=100 * i), *read(f"B{i}", 4.0, 6.0, start=100 * i + 50)])
        for i in range(9)
    ]
    found = lent(of_grade, of_grade[:3])[FIGURE]["M1"]
    assert MOST == len(found["within"])
    assert 2 * MOST == len(found["readings"])
    assert 3 == len(found["between"])
    earlier = earlier_from({FIGURE: {"M1": found}})[FIGURE]["M1"]
    assert (2, (2.0,)) == (earlier.within[0].n, earlier.within[0].variance)
    assert (2, pytest.approx((4.5,)), 0.5) == (
        earlier.between[0].k,
        earlier.between[0].variance,
        earlier.between[0].per_reading,
    )
