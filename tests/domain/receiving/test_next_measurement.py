"""The next measurement at the bench: a begun spool first, then one kind on each drawn spool, then the next kind."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.receiving.next_measurement import Needed, Next, next_measurement, wanted_on

DRAWN = ["A", "B", "C"]
BOTH = [Needed("color", 3, spools=3), Needed("diameter", 5, spools=3)]


def walk(needed, drawn, kind, spool, each=None):
    """Follows the proposals to the end, storing the requested number of readings, or `each`."""
    counts, steps = {}, []
    counts[kind, spool] = each or 5
    while (found := next_measurement(needed, drawn, counts, kind, spool)) is not None and len(steps) < 200:
        kind, spool = found.kind, found.spool
        counts[kind, spool] = counts.get((kind, spool), 0) + (each or found.readings)
        steps.append((kind, spool))
    return steps


def test_one_kind_on_each_spool_then_the_next_kind():
    """One kind is proposed on each spool from the present one around to those before it, then the next kind."""
    assert [
        ("diameter", "C"),
        ("diameter", "A"),
        ("color", "A"),
        ("color", "B"),
        ("color", "C"),
    ] == walk(BOTH, DRAWN, "diameter", "B")


def test_a_spool_that_was_begun_is_finished():
    """A begun spool is completed first, also an earlier one."""
    counts = {("diameter", "A"): 5, ("diameter", "C"): 2}
    assert Next("diameter", "C", 3) == next_measurement(BOTH, DRAWN, counts, "diameter", "A")


def test_from_a_spool_that_was_not_drawn_to_the_first_drawn_one():
    """After a spool that was not drawn the first drawn one follows, and after an optional kind the first required one."""
    assert Next("color", "A", 3) == next_measurement(BOTH, DRAWN, {}, "gloss", "Z")


@pytest.mark.parametrize(("spools", "steps"), [(1, 0), (2, 1), (9, 2)])
def test_as_many_spools_as_must_have_it(spools, steps):
    """At most the required number of drawn spools is proposed."""
    assert steps == len(walk([Needed("moisture", spools=spools)], DRAWN, "moisture", "A", each=1))


def test_readings_of_a_whole_lot_are_spread_over_its_spools():
    """Five specimens of one lot are proposed on the spool with the fewest."""
    assert Next("bond", "B", 2) == next_measurement(
        [Needed("bond", in_all=5, spools=3)], DRAWN, {("bond", "A"): 3}, "bond", "A"
    )
    assert next_measurement([Needed("bond", in_all=5, spools=1)], DRAWN, {("bond", "A"): 5}, "bond", "A") is None


def test_without_limits_or_a_sample_nothing_is_proposed():
    """Without limits or a sample there is no proposal."""
    assert next_measurement([], DRAWN, {}, "diameter", "A") is None
    assert next_measurement(BOTH, [], {}, "diameter", "A") is None


@given(
    st.lists(
        st.builds(Needed, st.sampled_from("xyz"), st.integers(1, 4), st.integers(0, 6), st.integers(1, 5)),
        max_size=3,
        unique_by=lambda one: one.kind,
    ),
    st.lists(st.sampled_from("ABCDE"), unique=True, max_size=5),
    st.integers(1, 4),
)
def test_it_ends_and_proposes_only_what_is_lacking(needed, drawn, each):
    """The proposals end and contain only missing readings, for any limits and numbers stored at once."""
    steps = walk(needed, drawn, "x", "A", each)
    assert len(steps) < 200
    assert {spool for _, spool in steps} <= set(drawn)
    assert {kind for kind, _ in steps} <= {one.kind for one in needed}


@pytest.mark.parametrize(
    ("spool", "wanted"), [("A", 0), ("B", 5), ("C", 3), ("Z", 0)], ids=["complete", "fresh", "begun", "not drawn"]
)
def test_what_is_wanted_on_the_spool_at_hand(spool, wanted):
    """The missing readings of the present spool do not depend on the next spool."""
    counts = {("diameter", "A"): 6, ("diameter", "C"): 2}
    assert wanted == wanted_on(BOTH[1], DRAWN, counts, spool)
