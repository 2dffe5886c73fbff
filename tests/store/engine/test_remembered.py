"""Results cached by input: always the right one, within the allowed weight."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from lots.store.engine.remembered import Remembered


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 5)), max_size=60))
def test_an_answer_is_what_the_work_would_return(asked):
    """A cached and a computed result are equal, in any order of requests."""
    kept = Remembered[int](most=12)
    for number, weight in asked:
        assert number * number == kept.get(number, weight, lambda number=number: number * number)


def test_what_was_not_asked_for_the_longest_goes_first():
    """Of three results with room for two the least recently used is removed."""
    kept, worked = Remembered[int](most=2), []

    def ask(number):
        return kept.get(number, 1, lambda: worked.append(number) or number)

    for number in (1, 2, 1, 3, 1, 2):
        assert number == ask(number)
    assert [1, 2, 3, 2] == worked


def test_what_is_too_heavy_is_not_kept_and_puts_nothing_out():
    """A result over the weight limit is not cached and removes nothing."""
    kept, worked = Remembered[str](most=3), []
    for name, weight in (("light", 1), ("heavy", 4), ("heavy", 4), ("light", 1)):
        kept.get(name, weight, lambda name=name: worked.append(name) or name)
    assert ["light", "heavy", "heavy"] == worked
