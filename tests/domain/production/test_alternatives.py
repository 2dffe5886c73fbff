"""The order of offered alternatives. Source: this project's rule, first lots of the job, then by match, then by age."""

from dataclasses import replace
from datetime import timedelta
from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.production.alternatives import Alternative, Candidate, in_turn, why
from lots.domain.production.matching import PairMatch
from tests.domain.builders import MONDAY

DAY = timedelta(days=1)


def apart(*differences):
    """Matches with lots of a job at these colour differences."""
    return tuple(PairMatch(f"L-{i}", difference, 0.5, True) for i, difference in enumerate(differences))


IN_JOB = Alternative(1, MONDAY + 9 * DAY, in_job=True, pairs=apart(0.45))
NEAR = Alternative(2, MONDAY + 8 * DAY, pairs=apart(0.1, 0.2))
SAME = Alternative(3, MONDAY + 7 * DAY, same=True, pairs=apart(0.0, 0.3))
OLD, YOUNG = Alternative(4, MONDAY, pairs=apart(0.3, 0.301)), Alternative(5, MONDAY + DAY, pairs=apart(0.3))
UNKNOWN = Alternative(6, MONDAY, pairs=apart(0.1, None))


def ranked(lots, least=lambda lot: 0.0):
    """The lots in their order, with only a least difference known beforehand."""
    of = {lot.id: lot for lot in lots}
    known = [Candidate(lot.id, lot.received_at, lot.in_job, lot.same, least(lot)) for lot in lots]
    return list(in_turn(known, lambda one: of[one.id]))


def test_the_job_comes_first_then_the_match_then_the_age():
    """A lot in the job comes before a closer one, a closer one before an older one; the largest difference counts, to the shown hundredth."""
    expected = [IN_JOB, NEAR, SAME, OLD, YOUNG, UNKNOWN]
    assert expected == ranked(expected[::-1]) == ranked(expected)


def test_without_a_job_the_same_lot_comes_first_and_then_the_oldest():
    """Without a job the requested lot comes first, and then first in, first out."""
    bare = [replace(lot, in_job=False, pairs=()) for lot in (SAME, OLD, YOUNG, NEAR)]
    assert bare == ranked(bare[::-1])


@given(st.permutations([IN_JOB, NEAR, SAME, OLD, YOUNG, UNKNOWN, replace(OLD, id=7)]))
def test_the_order_does_not_depend_on_how_the_lots_are_listed(lots):
    """Lots equal in everything come in the order of their numbers."""
    assert [1, 2, 3, 4, 7, 5, 6] == [lot.id for lot in ranked(lots)]


@given(st.permutations([IN_JOB, NEAR, SAME, OLD, YOUNG, UNKNOWN]), st.floats(0, 1))
def test_the_order_does_not_depend_on_what_is_known_beforehand(lots, share):
    """The order does not depend on how close each lot's least difference is to its true one."""
    assert [1, 2, 3, 4, 5, 6] == [lot.id for lot in ranked(lots, lambda lot: min(lot.apart, 9.0) * share)]


def test_no_more_lots_are_looked_at_than_the_order_takes():
    """Of a thousand lots, three are examined for the first three by age, and for a match known beforehand."""
    for least in (0.0, 0.004):
        stock = [Candidate(n, MONDAY + n * DAY, least=n * least) for n in range(1000)]
        asked = []

        def look_at(one, asked=asked):
            asked.append(one.id)
            return None if one.id == 1 else Alternative(one.id, one.received_at, pairs=apart(one.least))

        first = list(islice(in_turn(stock, look_at), 3))
        assert [0, 2, 3] == [lot.id for lot in first]
        assert len(asked) <= 6


@pytest.mark.parametrize(
    ("lot", "says"),
    [
        (IN_JOB, "Already used in this job. Colour difference from the other lots of this job: at most 0.45."),
        (replace(IN_JOB, pairs=()), "Already used in this job."),
        (SAME, "Same lot. Colour difference from the other lots of this job: at most 0.30."),
        (replace(SAME, pairs=()), "Same lot."),
        (NEAR, "Colour difference from the other lots of this job: at most 0.20."),
        (replace(OLD, pairs=()), "Oldest lot in stock."),
        (replace(YOUNG, pairs=()), "Received 2025-03-04."),
        (UNKNOWN, "Oldest lot in stock."),
    ],
)
def test_an_offer_says_why(lot, says):
    """An offer gives its reason: the job, the lot, the match or the age."""
    assert says == why(lot, lambda: MONDAY)
