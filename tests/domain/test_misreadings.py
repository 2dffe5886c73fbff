"""Lot numbers questioned as misread, and the differences between them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.code_identity import alike, identity, misreadings

SEPARATORS, ZEROS, ROUND, UPRIGHT = "separators", "zeros that begin a number", "O and 0", "l, I and 1"


@pytest.mark.parametrize(
    ("one", "other", "slips"),
    [
        ("L-OO71", "L-0071", (ROUND,)),
        ("L-7I", "L-71", (UPRIGHT,)),
        ("l71", "I-71", (SEPARATORS, UPRIGHT)),
        ("L-71", "L-0071", (ZEROS,)),
        ("L0071", "L-71", (SEPARATORS, ZEROS)),
        ("A-1-12", "A-11-2", (SEPARATORS,)),
        ("\u0410-12", "A-12", ()),
        ("l-0071 b", "L-0071B", ()),
    ],
)
def test_numbers_that_are_asked_about(one, other, slips):
    """Each questioned number has exactly its reading errors; numbers of one identity have none."""
    assert alike(one, other)
    assert slips == misreadings(one, other) == misreadings(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("L-100", "L-10"),
        ("L-10", "L-1000"),
        ("L-100", "L-1000"),
        ("L-1007", "L-107"),
        ("L-71", "L-72"),
        ("A-71", "B-71"),
    ],
)
def test_neighbours_that_are_not_asked_about(one, other):
    """A zero inside or at the end, another digit or another letter makes a different lot without a question."""
    assert not alike(one, other)
    with pytest.raises(ValueError, match="may be the other misread"):
        misreadings(one, other)


@given(st.text("aLl1I0O-_ 7", min_size=1, max_size=12), st.text("aLl1I0O-_ 7", min_size=1, max_size=12))
def test_a_slip_is_named_exactly_where_codes_differ_by_more_than_the_way_they_were_typed(one, other):
    """Codes of one identity have no reading error, and two identities that can be confused have at least one."""
    if alike(one, other):
        assert bool(misreadings(one, other)) == (identity(one) != identity(other))
