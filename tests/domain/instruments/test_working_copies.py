"""Working copies. Sources: the definition of an offset, by hand; numpy for its uncertainty (JCGM 100:2008, 5.1.2)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.colorimetry.color_values import Lab
from lots.domain.instruments.working_copies import WorkingCopy, working_copy
from tests.domain.strategies import NEAR_WHITE, numbers
from tests.examples import examples
from tests.tolerances import SAME_FORMULA

SETTINGS = examples(80)
MASTER = [Lab(95.0, -0.8, 1.5), Lab(95.04, -0.82, 1.54)]
COPY = [Lab(95.2, -0.7, 1.6), Lab(95.2, -0.72, 1.66), Lab(95.26, -0.74, 1.6)]


def test_offset_and_uncertainty():
    """The offset is the mean of the copy minus that of the master, its uncertainty the root of s^2 / n of both."""
    found = working_copy("W1", MASTER, COPY)
    one, other = (np.array([color.as_list() for color in colors]) for colors in (COPY, MASTER))
    assert pytest.approx(one.mean(axis=0) - other.mean(axis=0)) == found.offset
    assert pytest.approx(np.sqrt(one.var(axis=0, ddof=1) / 3 + other.var(axis=0, ddof=1) / 2)) == found.u
    assert (2, 3) == (found.n_master, found.n_copy)


def test_single_readings_tell_no_uncertainty():
    """With one reading of either plaque the uncertainty is unknown, not 0."""
    assert working_copy("W1", MASTER[:1], COPY).u is None
    assert working_copy("W1", MASTER, COPY[:1]).u is None


@SETTINGS
@given(master=st.lists(NEAR_WHITE, min_size=1, max_size=4), copy=st.lists(NEAR_WHITE, min_size=1, max_size=4))
def test_the_offset_turns_round(master, copy):
    """Exchanging copy and master negates the offset."""
    found, turned = working_copy("W", master, copy), working_copy("W", copy, master)
    assert pytest.approx([-part for part in found.offset]) == turned.offset


@SETTINGS
@given(drift=st.tuples(numbers(-1, 1), numbers(-1, 1), numbers(-1, 1)))
def test_an_instrument_that_reads_off_leaves_the_offset(drift):
    """A common shift of all readings changes no offset and no uncertainty."""

    def off(colors):
        return [Lab(*(at + by for at, by in zip(color.as_list(), drift, strict=True))) for color in colors]

    plain, shifted = working_copy("W", MASTER, COPY), working_copy("W", off(MASTER), off(COPY))
    assert pytest.approx((*plain.offset, *plain.u), abs=SAME_FORMULA) == (*shifted.offset, *shifted.u)


def test_nonsense_is_refused():
    """Missing readings, non-finite numbers, missing counts and negative uncertainties raise."""
    for master, copy in (([], COPY), (MASTER, [])):
        with pytest.raises(ValueError, match="needs a reading of the master and one of the copy"):
            working_copy("W", master, copy)
    for offset, u, n in (((math.nan, 0, 0), None, 1), ((0, 0, 0), (-1, 0, 0), 1), ((0, 0, 0), None, 0)):
        with pytest.raises(ValueError, match=r"numbers"):
            WorkingCopy("W", offset, u, n, 1)
