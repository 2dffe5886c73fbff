"""Corrections of deliveries, and unusual spool counts."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.receiving.delivery_corrections import (
    MOST_UNASKED,
    TIMES_USUAL,
    Correction,
    corrected,
    doubt_count,
    spools_before,
)

CODES = [f"S{number}" for number in range(12)]


@pytest.mark.parametrize(
    ("spools", "earlier", "asked"),
    [
        (800, [8, 8, 8], True),
        (81, [8, 8, 8], True),
        (80, [8, 8, 8], False),
        (81, [8, 8], False),
        (200, [], False),
        (201, [], True),
        (201, [150, 180, 160], True),
        (30, [1, 2, 100], True),
        (20, [1, 2, 100], False),
        (800, [800] * 3, True),
    ],
)
def test_a_count_is_asked_about_over_ten_times_the_usual_and_over_200(spools, earlier, asked):
    """A count is questioned above ten times the usual number and above 200; two deliveries, or one large one, set no usual number."""
    assert asked == bool(doubt_count(spools, earlier))


def test_what_is_usual_is_of_the_last_twenty():
    """The usual number comes from the last twenty deliveries."""
    assert not doubt_count(150, [20] * 20 + [1] * 40)
    assert doubt_count(150, [1] * 20 + [20] * 40)


@given(st.integers(1, 1000), st.lists(st.integers(1, 1000), max_size=30))
def test_more_spools_are_never_less_suspicious(spools, earlier):
    """A questioned count stays questioned when it grows; the usual number is questioned only above a pallet."""
    assert not doubt_count(spools, earlier) or doubt_count(spools + 1, earlier)
    assert bool(doubt_count(spools, [spools] * 3)) == (spools > MOST_UNASKED)
    assert doubt_count(TIMES_USUAL * spools + 1, [spools] * 3)


def test_the_last_correction_of_a_field_holds_and_the_others_stay():
    """The last correction of each field applies; a reason closes; a delivery without corrections is unchanged."""
    made = [
        Correction({"order_ref": ["A", "B"], "cost": [1.0, 2.0]}),
        Correction({"order_ref": ["B", None], "spool_count": [8, 9]}),
        Correction({}, closes=True, reason="other lot"),
    ]
    assert {"version": 4, "order_ref": None, "cost": 2.0, "closed": "other lot"} == corrected(made)
    assert None is corrected([])


@given(
    st.dictionaries(st.sampled_from(CODES), st.floats(20, 2000), min_size=1),
    st.lists(st.tuples(st.sampled_from(["added", "withdrawn", "net_mass_g"]), st.sampled_from(CODES)), max_size=12),
)
def test_what_was_known_before_can_be_worked_out_backwards(first, steps):
    """Undoing every correction of added, withdrawn and reweighed spools gives the logged delivery."""
    spools, made = dict(first), []
    for kind, code in steps:
        if kind == "added" and code not in spools:
            made.append(Correction({kind: [{}, {code: 500.0}]}))
            spools[code] = 500.0
        elif kind == "withdrawn" and code in spools:
            made.append(Correction({kind: [{code: spools.pop(code)}, {}]}))
        elif kind == "net_mass_g" and code in spools:
            made.append(Correction({kind: [{code: spools[code]}, {code: 250.0}]}))
            spools[code] = 250.0
    count, mass = spools_before(len(spools), sum(spools.values()), made)
    assert (len(first), pytest.approx(sum(first.values()), abs=1e-6)) == (count, mass)
