"""Means of spools and lots: nested spread, the finite lot, and the contribution of earlier spools and lots."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.uncertainty.nested_means import (
    BETWEEN_SPOOLS,
    Between,
    Earlier,
    Repeated,
    between_spools,
    lot_mean,
    spool_means,
    with_instrument,
)
from tests.examples import examples

THOROUGH = examples(200)
VALUES = st.floats(-5, 5)
GROUPS = st.integers(1, 4).flatmap(
    lambda n: st.lists(st.lists(VALUES.map(lambda v: [v]), min_size=n, max_size=n), min_size=2, max_size=5)
)


def columns(*values):
    """Readings of one number each."""
    return [[value] for value in values]


@THOROUGH
@given(GROUPS)
def test_a_balanced_lot_of_many_spools_is_as_sure_as_its_spools_means(groups):
    """With equal numbers of readings per spool, the standard error is that of the spools' means (numpy; JCGM 100:2008, H.5)."""
    means = [np.mean(rows) for rows in groups]
    (found,) = lot_mean(groups)
    assert pytest.approx(np.std(means, ddof=1) / math.sqrt(len(groups)), abs=1e-9) == found.total


def test_a_lot_that_was_measured_whole_is_unsure_of_its_readings_only():
    """For both spools of a lot, each measured twice, it is the spread within over the root of four (Cochran 1977, 10.3, by hand)."""
    groups = [columns(1.0, 1.2), columns(2.0, 2.2)]
    (found,) = lot_mean(groups, spools_in_lot=2)
    assert pytest.approx(math.sqrt(0.02 / 4)) == found.total
    assert lot_mean(groups, spools_in_lot=200)[0].total > found.total
    assert between_spools(groups, 2) is None


def test_one_spool_of_several_says_nothing_of_the_others():
    """For one spool of several the budget has its readings' spread alone."""
    (found,) = lot_mean([columns(1.0, 1.2, 1.1)], spools_in_lot=10)
    assert not any(one.source.startswith(BETWEEN_SPOOLS) for one in found.contributions)
    assert between_spools([columns(1.0, 1.2)], 10) is None


def test_earlier_lots_tell_how_much_one_spool_may_differ():
    """Four lots of three spools with means of variance 0.04 give one spool of many its root, with eight degrees of freedom."""
    earlier = Earlier(between=(Between(3, (0.04,), 1 / 3),) * 4)
    (found,) = lot_mean([columns(1.0, 1.2, 1.1)], spools_in_lot=1000, earlier=earlier)
    (part, within) = found.contributions
    assert part.source == f"{BETWEEN_SPOOLS}, pooled with 4 earlier lots"
    assert (pytest.approx(math.sqrt(0.04 * 0.999)), 8.0) == (part.u, part.df)
    assert within.u < 0.01


def test_scatter_is_pooled_with_earlier_spools():
    """Ten earlier spools of three and one of this lot give 22 degrees of freedom and the mean of the variances (by hand)."""
    earlier = Earlier(within=(Repeated(3, (0.01,)),) * 10)
    ((found,),) = spool_means([columns(0.9, 1.0, 1.1)], earlier)
    (part,) = found.contributions
    assert (22.0, pytest.approx(0.1 / math.sqrt(3))) == (part.df, part.u)
    assert "pooled with 10 earlier spools" in part.source


def test_a_spool_that_scatters_more_than_earlier_ones_stands_by_itself():
    """A spool separated by Cochran's test has its own spread and degrees of freedom."""
    earlier = Earlier(within=(Repeated(3, (0.0001,)),) * 10)
    ((found,),) = spool_means([columns(0.0, 1.0, 2.0)], earlier)
    assert (2.0, "spread of readings") == (found.contributions[0].df, found.contributions[0].source)


def test_a_single_reading_is_as_sure_as_earlier_ones_were():
    """A single reading has the spread of earlier spools, and none without them."""
    earlier = Earlier(within=(Repeated(3, (0.01,)),) * 5)
    ((found,),) = spool_means([columns(1.0)], earlier)
    assert pytest.approx(0.1) == found.total
    assert spool_means([columns(1.0)]) == [None]


@THOROUGH
@given(GROUPS, st.floats(0.001, 1), st.floats(0.001, 1))
def test_instrument_and_resolution_add_and_are_never_averaged_away(groups, u, step):
    """The instrument's own uncertainty and r / sqrt(12) remain for any readings (JCGM 100:2008, 5.1.2 and F.2.2.1)."""
    (found,) = with_instrument(lot_mean(groups), u, step)
    assert found.total >= math.hypot(u, step / math.sqrt(12)) - 1e-12
    assert found.fixed.total == pytest.approx(math.hypot(u, step / math.sqrt(12)))


def test_columns_are_pooled_together_or_not_at_all():
    """Where one coordinate has more spread than earlier, none is pooled."""
    earlier = Earlier(within=(Repeated(3, (0.0001, 0.01, 0.01)),) * 10)
    (found,) = spool_means([[[0.0, 0.0, 0.0], [1.0, 0.1, 0.1], [2.0, 0.2, 0.2]]], earlier)
    assert [2.0, 2.0, 2.0] == [one.contributions[0].df for one in found]
