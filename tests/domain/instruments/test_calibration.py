"""Validity of readings by calibration.

Sources: ISO 10012 and ISO/IEC 17025 in kind (from memory); the time back to the last passed check is common practice, no source.
"""

import inspect
import math
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.conformity.rule_versions import CURRENT, SECOND
from lots.domain.instruments.calibration import Check, InstrumentRecord, doubt_about
from tests.domain.builders import MONDAY
from tests.examples import examples

EVERY = 30
OFTEN = examples(300)


def day(number: float):
    """A moment so many days after Monday."""
    return MONDAY + timedelta(days=number)


def record(*checks: tuple[float, bool], registered: float = 0.0) -> InstrumentRecord:
    """A gauge checked on these days, each passed or failed, with an interval of 30 days."""
    return InstrumentRecord("CAL-3", day(registered), EVERY, tuple(Check(day(at), passed) for at, passed in checks))


def doubted(at: float, *checks: tuple[float, bool], registered: float = 0.0) -> str | None:
    """The doubt about a reading of that day."""
    return doubt_about(day(at), record(*checks, registered=registered))


@pytest.mark.parametrize(
    ("at", "checks", "says"),
    [
        (5, [(0, True)], None),
        (5, [(0, True), (10, True)], None),
        (5, [(0, True), (10, False)], "failed the next check (2025-03-13 08:00 UTC)"),
        (5, [(0, False)], "failed its check of 2025-03-03 08:00 UTC"),
        (5, [(0, False), (3, True)], None),
        (2, [(0, False), (3, True)], "failed its check of"),
        (5, [(0, True), (10, True), (20, False)], None),
        (15, [(0, True), (10, True), (20, False)], "failed the next check"),
        (25, [(0, True), (10, True), (20, False)], "failed its check of"),
        (25, [(0, True), (20, False), (24, True)], None),
        (31, [(0, True)], "no valid calibration, because its last check had expired (every 30 days)"),
        (31, [(0, True), (40, True)], "no valid calibration, because its last check had expired"),
        (31, [(0, True), (40, False)], "failed the next check"),
        (31, [], "no valid calibration, because it had never been checked (every 30 days)"),
        (5, [], None),
        (5, [(10, False)], "failed the next check"),
        (5, [(10, True)], None),
    ],
)
def test_doubt_follows_from_the_checks_around_a_reading(at, checks, says):
    """A failed check before or after, an expired check and no check are different doubts; good checks give none."""
    found = doubted(at, *checks)
    assert (says is None) is (found is None)
    assert found is None or (found.startswith("instrument CAL-3 ") and says in found)


@pytest.mark.parametrize(
    ("at", "checks", "fine"),
    [
        (30, [(0, True)], True),
        (30 + 1e-5, [(0, True)], False),
        (0, [(0, True)], True),
        (0, [(0, False)], False),
        (10, [(0, True), (10, False)], False),
        (0, [(0, True), (10, False)], False),
        (10, [(0, False), (10, True)], True),
    ],
    ids=[
        *("last-moment", "a-second-late", "with-a-good-check", "with-a-failed-check"),
        *("at-the-failed-one", "at-the-last-good-one", "at-the-repair"),
    ],
)
def test_moments_on_the_edge(at, checks, fine):
    """A check is valid to the last moment of its interval; a reading at the moment of a check counts as later."""
    assert fine is (doubted(at, *checks) is None)


@pytest.mark.parametrize("at", [5, 15], ids=["before", "after"])
@pytest.mark.parametrize("turned", [False, True], ids=["good-first", "failed-first"])
def test_of_two_checks_at_one_moment_the_failed_one_counts(at, turned):
    """Of two checks at one moment the failed one counts, in any order."""
    tie = [(10, True), (10, False)]
    assert doubted(at, (0, True), *(reversed(tie) if turned else tie)) is not None


@pytest.mark.parametrize(
    ("at", "checks", "says"),
    [
        (10, [], None),
        (10, [(0, True)], None),
        (10, [(20, False)], "failed the next check"),
        (10, [(0, False)], "failed its check of"),
        (40, [(0, True)], "its last check had expired"),
        (131, [], "it had never been checked"),
        (130, [], None),
    ],
)
def test_an_instrument_registered_later_is_trusted_as_far_as_its_checks_go(at, checks, says):
    """A reading before the registration on day 100 depends on checks alone; the first interval begins that day."""
    found = doubted(at, *checks, registered=100)
    assert (says is None) is (found is None)
    assert found is None or says in found


def test_validity_does_not_depend_on_when_somebody_looks():
    """Validity depends on the time of the reading and the known checks, not on the time of the question."""
    assert ["measured_at", "instrument", "rules"] == list(inspect.signature(doubt_about).parameters)


MOMENTS = st.integers(0, 60)
HISTORIES = st.lists(st.tuples(MOMENTS, st.booleans()), max_size=6)


@OFTEN
@given(HISTORIES, MOMENTS, st.permutations(range(6)))
def test_the_order_in_which_checks_are_kept_does_not_matter(checks, at, order):
    """Checks in any order give the same doubt."""
    shuffled = [checks[i] for i in order if i < len(checks)]
    assert doubted(at, *checks) == doubted(at, *shuffled)


@OFTEN
@given(HISTORIES, MOMENTS, st.tuples(MOMENTS, st.booleans()))
def test_only_the_checks_next_to_a_reading_count(checks, at, extra):
    """Only the last check before a reading and the first one after it count."""
    earlier = [when for when, _ in checks if when <= at]
    later = [when for when, _ in checks if when > at]
    beyond = (extra[0] <= at and earlier and extra[0] < max(earlier)) or (
        extra[0] > at and later and extra[0] > min(later)
    )
    if beyond:
        assert doubted(at, *checks) == doubted(at, *checks, extra)


@OFTEN
@given(HISTORIES, MOMENTS, MOMENTS)
def test_recording_a_passed_check_never_hurts(checks, at, passed_at):
    """A passed check makes no valid reading suspect, unless it is the first check and had expired by then.

    That one shows how long the instrument was unchecked, which its registration left open.
    """
    if doubted(at, *checks) is not None:
        return
    found = doubted(at, *checks, (passed_at, True))
    first_ever = all(when > at for when, _ in checks) and passed_at < at - EVERY
    assert found is None or (first_ever and "had expired" in found)


@pytest.mark.parametrize(("passed_at", "fine"), [(-40, False), (-20, True), (0, True), (5, True)])
def test_an_old_check_shows_how_long_an_instrument_went_unchecked(passed_at, fine):
    """A reading ten days after registration is valid without a known check, and not when the only check is 50 days old."""
    assert doubted(10) is None
    assert fine is (doubted(10, (passed_at, True)) is None)


@OFTEN
@given(HISTORIES, MOMENTS, MOMENTS)
def test_recording_a_failed_check_doubts_exactly_its_window(checks, at, failed_at):
    """A failed check makes suspect exactly the valid readings from the last check before it to the next one after it."""
    if doubted(at, *checks) is not None:
        return
    checked = [when for when, _ in checks]
    start = max((when for when in checked if when < failed_at), default=-1)
    end = min((when for when in checked if when > failed_at), default=math.inf)
    # At the failed check's own moment it outdoes a passed one, for readings on either side.
    assert (start <= at < end) is (doubted(at, *checks, (failed_at, False)) is not None)


@OFTEN
@given(st.lists(MOMENTS, max_size=5), MOMENTS, MOMENTS)
def test_a_failed_check_reaches_back_to_the_last_good_one(passed, at, failed_at):
    """After good checks alone, a failed check makes suspect the readings since the last good one."""
    history = record(*((when, True) for when in passed))
    if at >= failed_at or doubt_about(day(at), history) is not None:
        return
    last_good = max((when for when in passed if when < failed_at), default=None)
    now = doubt_about(day(at), record(*((when, True) for when in passed), (failed_at, False)))
    assert (last_good is None or at >= last_good) is (now is not None)


@pytest.mark.parametrize(
    ("checks", "due"),
    [
        ([], 30),
        ([(5, True)], 35),
        ([(5, True), (20, True)], 50),
        ([(20, True), (5, False)], 50),
        ([(5, True), (20, False)], 20),
        ([(20, True), (20, False)], 20),
    ],
)
def test_a_check_is_due_when_the_last_good_one_runs_out_and_at_once_after_a_failed_one(checks, due):
    """A check is due when the last good one expires, and at once after a failed one (by hand); of two at one moment the failed one counts."""
    assert day(due) == record(*checks).due_at


@pytest.mark.parametrize(
    ("at", "checks", "doubted_now"),
    [
        (-29, [], False),
        (-31, [], True),
        (-31, [(-40, True)], False),
        (-31, [(5, True)], True),
        (-75, [(-40, True)], True),
    ],
)
def test_a_reading_from_before_the_registration_needs_a_check(at, checks, doubted_now):
    """From version 3 the first interval extends as far back as forward, and no further without a check. Common practice, no source."""
    known = record(*checks)
    assert doubted_now is (doubt_about(day(at), known, CURRENT) is not None)
    assert doubt_about(day(at), known, SECOND) is None


def test_an_instrument_that_was_never_checked_counts_for_one_interval():
    """Readings of an instrument without checks count until its first interval ends."""
    assert day(30) == record().counts_until
    assert record((1, True)).counts_until is None
    assert doubt_about(day(30), record(), CURRENT) is None
    assert doubt_about(day(30.01), record(), CURRENT) is not None
