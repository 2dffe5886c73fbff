"""The sample after a corrected spool count: the same seed, without a chance to draw again."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.receiving.coverage import draw, redraw

CODES = [f"S{number:02d}" for number in range(30)]
SUBSETS = st.lists(st.sampled_from(CODES), min_size=1, unique=True)
SEEDS = st.integers(0, 2**32 - 1)


@given(SUBSETS, st.integers(1, 10), SEEDS)
def test_the_same_spools_and_size_leave_the_sample_as_it_is(codes, size, seed):
    """A correction without effect draws nothing."""
    first = draw(codes, size, seed, "rule")
    assert first == redraw(first.spool_codes, codes, size, seed, "rule")


@given(SUBSETS, SUBSETS, st.integers(1, 10), st.integers(1, 10), SEEDS)
def test_drawn_spools_that_came_stay_drawn_as_far_as_they_are_wanted(before, after, size, wanted, seed):
    """Drawn spools of the delivery stay drawn as far as required, whatever other spools came."""
    drawn = set(draw(before, size, seed, "rule").spool_codes)
    anew = redraw(drawn, after, wanted, seed, "rule")
    still = drawn & set(after)
    assert min(wanted, len(after)) == anew.size == len(set(anew.spool_codes))
    assert still <= set(anew.spool_codes) if len(still) <= wanted else set(anew.spool_codes) <= still


@given(SUBSETS, st.integers(1, 10), st.integers(1, 10), SEEDS)
def test_more_and_fewer_spools_come_and_go_in_the_order_of_the_seed(codes, size, wanted, seed):
    """An extended or trimmed sample is the one that a single draw would give."""
    first = draw(codes, size, seed, "rule")
    assert draw(codes, wanted, seed, "rule") == redraw(first.spool_codes, codes, wanted, seed, "rule")


@given(SUBSETS, st.integers(1, 10), SEEDS, st.data())
def test_a_spool_that_never_came_is_replaced_by_the_next_in_order(codes, size, seed, data):
    """A missing spool is replaced by the next in order, and the others stay."""
    first = draw(codes, size, seed, "rule")
    gone = data.draw(st.sampled_from(first.spool_codes))
    left = [code for code in codes if code != gone]
    if left:
        assert draw(left, size, seed, "rule") == redraw(first.spool_codes, left, size, seed, "rule")


@given(SUBSETS, SEEDS, st.data())
def test_measured_spools_leave_last(codes, seed, data):
    """Where fewer spools are required, measured ones stay."""
    first = draw(codes, 8, seed, "rule").spool_codes
    measured = data.draw(st.sets(st.sampled_from(first)))
    kept = set(redraw(first, codes, 3, seed, "rule", measured).spool_codes)
    assert measured <= kept if len(measured) <= 3 else kept <= measured


@pytest.mark.parametrize(("codes", "size"), [([], 1), (["A"], 0)])
def test_nothing_to_draw_from_or_for_is_refused(codes, size):
    """A sample from no spools, or of none, is refused."""
    with pytest.raises(ValueError, match="at least one spool"):
        redraw([], codes, size, 1, "rule")
