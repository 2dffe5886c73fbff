"""Where a lot was used: exact for recorded loads, possible in unrecorded gaps."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from lots.domain.production.tracing import LONGEST_GAP, SHORTEST_GAP, Stay, crowds, gaps, lots_of_job, reached_by

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def at(minutes: float) -> datetime:
    """A moment this many minutes into the day."""
    return START + timedelta(minutes=minutes)


def stay(number: int, lot: int, job: str, start: float, end: float | None, machine: str = "P1", slots: int = 1) -> Stay:
    """One lot's spool on a machine."""
    return Stay(number, frozenset({lot}), machine, job, at(start), None if end is None else at(end), slots)


def test_a_swap_unrecorded_for_two_hours_makes_the_jobs_on_both_sides_possible():
    """A gap of 2 h 10 min between two stays puts each lot possibly into the other's job, with the length of the gap."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 190, 300)]
    certain, possible = reached_by(7, stays)
    assert ("J-1", True) == (certain.stay.job, certain.certain)
    assert ("J-2", False) == (possible.stay.job, possible.certain)
    assert "for 2 h 10 min" in possible.doubt.says
    assert ["J-2", "J-1"] == [reach.stay.job for reach in reached_by(8, stays)]


@pytest.mark.parametrize(
    ("minutes", "found"),
    [
        (SHORTEST_GAP.total_seconds() / 60, 0),
        (SHORTEST_GAP.total_seconds() / 60 + 1, 1),
        (LONGEST_GAP.total_seconds() / 60, 1),
        (LONGEST_GAP.total_seconds() / 60 + 1, 0),
    ],
)
def test_a_change_of_spool_and_an_idle_machine_are_no_gaps(minutes, found):
    """A gap lasts longer than a quarter of an hour and at most a week (common practice, no source)."""
    assert found == len(gaps([stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 60 + minutes, None)]))


def test_a_second_spool_on_the_machine_closes_the_gap():
    """While another spool is recorded on the machine there is no gap."""
    covered = [stay(1, 7, "J-1", 0, 60), stay(3, 9, "J-3", 30, 250), stay(2, 8, "J-2", 240, 300)]
    assert [] == gaps(covered)


def test_a_job_reached_for_certain_is_not_possible_too():
    """A job reached for certain is not listed as possible as well."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-1", 200, 300)]
    assert [True] == [reach.certain for reach in reached_by(7, stays)]


def test_a_job_traces_back_to_what_was_recorded_and_what_was_not():
    """Backwards from a job its own lots are certain, and its neighbours across a gap possible."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 190, 300), stay(3, 9, "J-9", 190, 300, "P2")]
    certain, possible = lots_of_job("J-2", stays)
    assert ({8}, [7]) == (certain, list(possible))


def reached(lot: int, stays: list[Stay]) -> tuple[set[str], set[str]]:
    """Jobs reached for certain and possibly."""
    found = reached_by(lot, stays)
    return {r.stay.job for r in found if r.certain}, {r.stay.job for r in found if not r.certain}


def test_two_spools_on_a_machine_with_one_slot_make_both_jobs_possible():
    """Spool 1 recorded for ten minutes together with spool 2 makes either possible in both jobs, with the moment."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 50, 300)]
    assert ({"J-1"}, {"J-2"}) == reached(7, stays)
    assert ({"J-2"}, {"J-1"}) == reached(8, stays)
    (possible,) = (reach for reach in reached_by(7, stays) if not reach.certain)
    assert "machine P1 has 1 slot, but 2 spools were recorded on it from 2026-03-02 06:50 UTC" == possible.doubt.says
    assert (2, 1) == (possible.stay.load_id, possible.by.load_id)
    assert ({8}, {7}) == (lots_of_job("J-2", stays)[0], set(lots_of_job("J-2", stays)[1]))


@pytest.mark.parametrize(("slots", "possible"), [(1, True), (2, True), (3, False), (4, False)])
def test_a_machine_may_hold_as_many_spools_as_it_has_slots(slots, possible):
    """Three spools in three slots raise no doubt; in two slots each can be in any of the three jobs."""
    stays = [stay(number, number, f"J-{number}", 10 * number, 200, slots=slots) for number in (1, 2, 3)]
    assert ({"J-1"}, {"J-2", "J-3"} if possible else set()) == reached(1, stays)
    assert possible == bool(crowds(stays))


def test_only_what_shared_the_slots_is_in_doubt():
    """With two slots, spool 1 that came off before the third came on is in no doubt."""
    stays = [stay(1, 7, "J-1", 0, 100, slots=2), stay(2, 8, "J-2", 50, 300, slots=2)]
    late = [stay(3, 9, "J-3", 100, 300, slots=2), stay(4, 10, "J-4", 200, 300, slots=2)]
    assert ({"J-1"}, set()) == reached(7, [*stays, *late])
    assert ({"J-2"}, {"J-3", "J-4"}) == reached(8, [*stays, *late])


def test_a_spool_that_follows_at_once_and_one_on_another_machine_are_no_doubt():
    """A change of spools at one moment needs one slot, and another machine has its own."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 60, 300), stay(3, 9, "J-3", 30, 90, "P2")]
    assert ({"J-1"}, set()) == reached(7, stays)


def test_a_stay_that_ends_as_it_begins_counts_for_its_moment():
    """A load that ends at its start, after a clock set back, counts for that moment."""
    stays = [stay(1, 7, "J-1", 0, 60), stay(2, 8, "J-2", 30, 30)]
    assert ({"J-1"}, {"J-2"}) == reached(7, stays)


def replayed(stays: list[Stay], lot: int) -> tuple[set[tuple[str, str]], set[tuple[str, str]]]:
    """The same question interval by interval: (machine, job) certain, and possible through minutes with no spool or too many."""
    certain = {(s.machine, s.job) for s in stays if lot in s.lots}
    sure_jobs = {job for _, job in certain}
    possible = set()
    for machine in {s.machine for s in stays}:
        mine = [s for s in stays if s.machine == machine]
        moments = sorted({t for s in mine for t in (s.start, s.end) if t is not None})
        for left, right in pairwise(moments):
            middle = left + (right - left) / 2
            there = [s for s in mine if s.start <= middle and (s.end is None or middle < s.end)]
            if len(there) > mine[0].slots and any(lot in s.lots for s in there):
                possible |= {(machine, s.job) for s in there if lot not in s.lots and s.job not in sure_jobs}
            empty = not there
            if not empty or not SHORTEST_GAP < right - left <= LONGEST_GAP:
                continue
            before = [s for s in mine if s.end == left]
            after = [s for s in mine if s.start == right]
            for near, far in ((before, after), (after, before)):
                if any(lot in s.lots for s in near):
                    possible |= {(machine, s.job) for s in far if lot not in s.lots and s.job not in sure_jobs}
    return certain, possible


@pytest.mark.parametrize("first", range(0, 200, 20))
def test_exposure_is_exact_against_a_replay_of_random_histories(first):
    """Exactly the jobs of an independent replay, interval by interval, are found as certain or possible."""
    for seed in range(first, first + 20):
        dice = random.Random(seed)  # histories, not secrets
        stays, number = [], 0
        for machine in ("P1", "P2", "P3"):
            clock, slots = dice.randrange(0, 100), dice.randrange(1, 3)
            for _ in range(dice.randrange(1, 8)):
                number += 1
                length = dice.randrange(5, 400)
                end = None if dice.random() < 0.05 else clock + length
                lots = frozenset(dice.sample(range(1, 6), dice.choice((1, 1, 1, 2))))
                job = f"J-{dice.randrange(1, 9)}"
                stays.append(Stay(number, lots, machine, job, at(clock), None if end is None else at(end), slots))
                clock += length + dice.choice((0, 0, 3, 14, 15, 16, 60, 600, -dice.randrange(0, length)))
        for lot in range(1, 6):
            reaches = reached_by(lot, stays)
            certain, possible = replayed(stays, lot)
            assert certain == {(r.stay.machine, r.stay.job) for r in reaches if r.certain}
            assert possible == {(r.stay.machine, r.stay.job) for r in reaches if not r.certain}
