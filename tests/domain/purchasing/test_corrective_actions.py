"""Lots that verify a supplier's answer. Resubmitted lots do not count: MIL-STD-105E (10 May 1989), 4.7; the counts are common practice, no source."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.purchasing.corrective_actions import (
    CONFORMING_LOTS,
    DUE_AFTER,
    LaterLot,
    is_ground,
    is_overdue,
    named_lots,
    progress,
    speaks_of_supply,
    state_of,
)
from tests.domain.builders import MONDAY

DAY, SECOND = timedelta(days=1), timedelta(seconds=1)
OUTCOMES = {"A": True, "R": False, "?": None, "a": True, "r": False}


def came(outcomes: str) -> list[LaterLot]:
    """Lots received a day apart after Monday: A accepted, R rejected, ? not concluded, a and r for resubmitted ones."""
    return [
        LaterLot(number, f"Q-{number}", MONDAY + number * DAY, OUTCOMES[outcome], outcome in "ar")
        for number, outcome in enumerate(outcomes, start=1)
    ]


@pytest.mark.parametrize(
    ("outcomes", "run", "refused", "waiting"),
    [
        ("", [], None, []),
        ("AAA", [1, 2, 3], None, []),
        ("AARA", [4], 3, []),
        ("AAR", [], 3, []),
        ("A?A", [1, 3], None, [2]),
        ("ArAaA", [1, 3, 5], None, []),
        ("RRA?", [3], 2, [4]),
        ("aaa", [], None, []),
    ],
)
def test_lots_in_a_row_count_and_a_refused_one_begins_again(outcomes, run, refused, waiting):
    """Accepted lots count up to the newest concluded one; a rejected one restarts the count; others count neither way."""
    made = progress(came(outcomes), MONDAY, 3)
    assert run == [lot.number for lot in made.run]
    assert refused == (made.refused and made.refused.number)
    assert waiting == [lot.number for lot in made.waiting]
    assert max(0, 3 - len(run)) == made.lacking


def test_only_lots_received_after_the_answer_count():
    """A lot received at the moment of the answer does not count, and one a second later does."""
    lots = [LaterLot(1, "Q-1", MONDAY, True), LaterLot(2, "Q-2", MONDAY + SECOND, True)]
    assert [2] == [lot.number for lot in progress(lots, MONDAY, 1).run]


def test_lots_of_one_moment_count_in_the_order_they_were_recorded():
    """Lots of one moment count by their number."""
    lots = [LaterLot(2, "Q-2", MONDAY + DAY, True), LaterLot(1, "Q-1", MONDAY + DAY, False)]
    assert [2] == [lot.number for lot in progress(lots, MONDAY, 3).run]


@given(st.text("AR?ar", max_size=12), st.permutations(range(12)), st.integers(1, 20))
def test_the_order_in_which_lots_are_given_changes_nothing(outcomes, order, needed):
    """Lots count in the order of receipt, whatever the list's order."""
    lots = came(outcomes)
    shuffled = [lots[index] for index in order if index < len(lots)]
    assert progress(lots, MONDAY, needed) == progress(shuffled, MONDAY, needed)


@given(st.text("AR?ar", max_size=12), st.integers(1, 20))
def test_one_more_lot_never_helps_by_failing(outcomes, needed):
    """Another accepted lot adds one, a rejected one resets to zero, and an open or resubmitted one changes nothing."""
    before = progress(came(outcomes), MONDAY, needed)
    assert len(before.run) + 1 == len(progress(came(outcomes + "A"), MONDAY, needed).run)
    assert needed == progress(came(outcomes + "R"), MONDAY, needed).lacking
    for outcome in "?ar":
        assert before.run == progress(came(outcomes + outcome), MONDAY, needed).run


@pytest.mark.parametrize(
    ("outcomes", "words"),
    [
        ("", ["0 of 3 consecutive conforming lots received since the answer.", "3 more are needed"]),
        ("AA", ["2 of 3", "(Q-1, Q-2)", "1 more is needed"]),
        (
            "ARA?",
            ["1 of 3", "(Q-3)", "Q-2 was not accepted for any use, so the count restarted", "not counted: Q-4"],
        ),
        ("AAA", ["3 of 3 consecutive conforming lots received since the answer (Q-1, Q-2, Q-3)."]),
    ],
)
def test_the_count_says_how_many_there_are_and_how_many_still_lack(outcomes, words):
    """The sentence names the counted lots, the rejected one and those not concluded."""
    said = progress(came(outcomes), MONDAY, 3).says
    assert [] == [part for part in words if part not in said], said


@pytest.mark.parametrize(
    ("code", "verdict", "uses", "speaks", "ground"),
    [
        ("diameter.ovality", "fail", ("hidden",), True, True),
        ("diameter.ovality", "fail", (), True, False),
        ("diameter.ovality", "near", ("hidden",), False, False),
        ("color.lot_delta_e", "missing", ("cosmetic",), False, False),
        ("sampling.nonconforming", "fail", ("hidden",), True, True),
        ("sampling.retests", "fail", ("hidden",), False, False),
        ("color.step", "fail", ("cosmetic",), False, False),
    ],
)
def test_a_supplier_is_asked_about_what_it_supplied(code, verdict, uses, speaks, ground):
    """A failing required finding is a ground; a bad spool within the plan, too many retests or a step is none."""
    assert (speaks, ground) == (speaks_of_supply(code, verdict), is_ground(code, verdict, uses))


def test_a_state_follows_what_was_done():
    """The state is open, answered or closed."""
    assert ["open", "answered", "closed"] == [state_of(None, None), state_of(MONDAY, None), state_of(MONDAY, MONDAY)]


def test_an_answer_is_overdue_past_its_moment_and_no_longer_once_it_came():
    """An answer at the due moment is in time, and a late answer ends the overdue state."""
    assert [False, True, False] == [
        is_overdue(MONDAY, None, MONDAY),
        is_overdue(MONDAY, None, MONDAY + SECOND),
        is_overdue(MONDAY, MONDAY + DAY, MONDAY + 2 * DAY),
    ]


def test_the_defaults_are_the_customary_ones():
    """The defaults are two weeks and three lots (common practice, no source)."""
    assert (14, 3) == (DUE_AFTER.days, CONFORMING_LOTS)


def test_nonsense_is_refused_when_it_is_made():
    """A number below 1, a time without offset and a missing count are refused."""
    with pytest.raises(ValueError, match="number is 0"):
        LaterLot(0, "Q", MONDAY, True)
    with pytest.raises(ValueError, match="no offset"):
        LaterLot(1, "Q", MONDAY.replace(tzinfo=None), True)
    with pytest.raises(ValueError, match="needed is 0"):
        progress([], MONDAY, 0)


def test_a_long_row_of_lots_is_named_in_short():
    """A long row of lots shows ten names and the number of others."""
    assert "1, 2, 3, 4, 5, 6, 7, 8, 9, 10 and 2 others" == named_lots(str(n) for n in range(1, 13))
