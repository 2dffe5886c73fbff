"""Ageing references. Sources: scipy's t test for a change; the rule coded a second time moment by moment; simulation."""

import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm, ttest_ind

from lots.domain.conformity.limits import Limit
from lots.domain.instruments.reference_stability import (
    Remeasured,
    Remeasurement,
    doubts,
    due_at,
    what_moved,
)
from tests.domain.builders import GUARDED, MONDAY, SIMPLE
from tests.domain.strategies import numbers
from tests.examples import examples
from tests.tolerances import QUANTILE_RELATIVE, SAME_FORMULA

OFTEN = examples(200)
WITHIN = Limit(None, 0.3)
# Spread of three readings about their mean, in each component.
SCATTER = ((-0.02, 0.01, 0.0), (0.0, -0.02, 0.02), (0.02, 0.01, -0.02))


def read(*mean: float, around=SCATTER) -> tuple[tuple[float, ...], ...]:
    """Three readings about a mean."""
    return tuple(tuple(at + by for at, by in zip(mean, row, strict=True)) for row in around)


def moved(*change: float, noise: float | None = None) -> Remeasured:
    """Something at (95, 0, 1) that now reads otherwise by this much."""
    now = [at + by for at, by in zip((95.0, 0.0, 1.0), change, strict=True)]
    return Remeasured(read(95.0, 0.0, 1.0), read(*now), noise)


STILL = moved(0.01, 0.0, -0.01)


@pytest.mark.parametrize(
    ("tile", "plaque", "mover", "says"),
    [
        (STILL, STILL, "neither", "Tile and plaque are unchanged."),
        (moved(0, 0, 0.6), moved(0, 0, 0.61), "instrument", "The instrument drifted."),
        (STILL, moved(0, 0, 0.6), "plaque", "The plaque changed."),
        (moved(0, 0, 0.6), moved(-0.8, 0, 0.6), "both", "Instrument and plaque changed"),
        (moved(0, 0, 0.6), STILL, "both", "Instrument and plaque changed"),
    ],
    ids=["neither", "instrument", "plaque", "both", "hidden"],
)
def test_tile_and_plaque_tell_who_moved(tile, plaque, mover, says):
    """A change of the tile is the instrument's, and a further change of the plaque its own, even where both cancel."""
    found = what_moved(tile, plaque, 0.3)
    assert mover == found.mover
    assert says in found.says


def test_one_reading_then_and_now_cannot_tell():
    """One reading then and now is inconclusive without a known noise, and conclusive with it."""
    tile, plaque = (Remeasured(((95.0, 0.0, 1.0),), ((95.0, 0.0, at),)) for at in (1.0, 9.0))
    found = what_moved(tile, plaque, 0.3)
    assert ("cannot tell", None, None) == (found.mover, found.plaque.u, found.instrument.half_width)
    assert (
        "The readings do not show whether the tile or the plaque relative to the tile changed. Measure each at least 3 times."
        == found.says
    )
    known = (Remeasured(one.before, one.now, 0.02) for one in (tile, plaque))
    assert "plaque" == what_moved(*known, 0.3).mover


def test_readings_alike_to_the_last_digit_tell_no_scatter():
    """Two identical readings each do not count as free of noise."""
    alike = Remeasured(((95.0, 0.0, 1.0),) * 2, ((95.0, 0.0, 1.01),) * 2)
    assert "cannot tell" == what_moved(alike, alike, 0.3).mover


def test_too_much_scatter_is_neither_still_nor_moved():
    """A change that could be nothing or too much is inconclusive, though the tile alone can be conclusive."""
    wild = Remeasured(
        read(95, 0, 1, around=((-1, 0, 1), (0, 1, -1), (1, -1, 0))),
        read(95, 0, 1.2, around=((-1, 0, 1), (0, 1, -1), (1, -1, 0))),
    )
    found = what_moved(STILL, wild, 0.3)
    assert ("cannot tell", "still", "open") == (found.mover, found.instrument.state, found.plaque.state)
    assert "The readings do not show whether the plaque relative to the tile changed." in found.says


@pytest.mark.parametrize("half_over", [0.999, 1.001])
def test_the_rule_at_its_edge(half_over):
    """With a noise of 0.02 and one component, movement begins where the change exceeds z * 0.02 * sqrt(2) (scipy)."""
    half = norm.ppf(0.975) * 0.02 * math.sqrt(2)
    tile = Remeasured(((1.0,),), ((1.0 + half * half_over,),), 0.02)
    found = what_moved(tile, tile, 0.01).instrument
    assert ("moved" if half_over > 1 else "open") == found.state
    assert pytest.approx((half,)) == found.half_width
    # The same change is still where four times as much would matter.
    assert "still" == what_moved(tile, tile, 4 * half).instrument.state


def test_what_matters_includes_its_end():
    """An interval that ends exactly at the relevant change lies within it."""
    tile = Remeasured(((1.0,),), ((1.0,),), 0.02)
    half = norm.ppf(0.975) * 0.02 * math.sqrt(2)
    assert "still" == what_moved(tile, tile, half).instrument.state
    assert "open" == what_moved(tile, tile, half * 0.999).instrument.state


def test_intervals_are_those_of_a_t_test():
    """The tile's interval is scipy's pooled t interval at 1 - 0.05 / 3; the plaque's has t weighted by parts of the variance (Cochran and Cox)."""
    tile, plaque = moved(0.1, 0.0, -0.1), moved(0.1, 0.2, 0.3)
    found = what_moved(tile, plaque, 0.3)
    for i in range(3):
        sides = [[row[i] for row in rows] for rows in (tile.now, tile.before)]
        ends = ttest_ind(*sides).confidence_interval(1 - 0.05 / 3)
        centre, half = found.instrument.change[i], found.instrument.half_width[i]
        assert pytest.approx((ends.low, ends.high), rel=1e-8) == (centre - half, centre + half)
        # Both have equal spread, so the weighted t is that of each, on a standard error sqrt(2) times as large.
        assert pytest.approx(half * math.sqrt(2), rel=QUANTILE_RELATIVE) == found.plaque.half_width[i]
    assert pytest.approx((0.0, 0.2, 0.4), abs=SAME_FORMULA) == found.plaque.change


def test_readings_that_scatter_more_than_the_noise_are_believed():
    """A stated noise below the spread of the readings does not narrow the interval, and one above it widens it."""
    plain = what_moved(moved(0, 0, 0), moved(0, 0, 0), 0.3).instrument
    small = what_moved(moved(0, 0, 0, noise=0.001), moved(0, 0, 0), 0.3).instrument
    large = what_moved(moved(0, 0, 0, noise=0.1), moved(0, 0, 0), 0.3).instrument
    assert pytest.approx(plain.half_width) == small.half_width
    assert pytest.approx([0.1 * math.sqrt(2 / 3)] * 3) == large.u


def test_the_instruments_own_uncertainty_stands_in_where_nothing_tells_the_scatter():
    """For single readings the interval is z of the shared confidence times u times the root of 2 (scipy), as with known noise."""
    then, now = ((95.0, 0.0, 1.0),), ((95.0, 0.0, 1.6),)
    found = what_moved(Remeasured(then, then, stated=0.03), Remeasured(then, now, stated=0.03), 0.2)
    z = norm.ppf(1 - 0.05 / 3 / 2)
    assert ("plaque", "still") == (found.mover, found.instrument.state)
    assert pytest.approx([z * 0.03 * math.sqrt(2)] * 3) == found.instrument.half_width
    spread = ((95.0, 0.0, 1.0), (95.2, 0.2, 1.2))
    alone, beside = (what_moved(*[Remeasured(spread, spread, stated=u)] * 2, 0.2) for u in (None, 0.03))
    assert alone == beside


def test_a_plaque_that_moved_against_the_tile_is_named_though_the_tile_alone_tells_nothing():
    """With identical tile readings of a* the drift of the instrument is open, but a plaque's movement in b* beyond all spread is named."""
    wobble = (-0.01, 0.0, 0.01)
    tile = tuple((97.0 + d, 0.0, 0.4 + d) for d in wobble)
    then, now = (tuple((95.0 + d, -0.8, b + d) for d in wobble) for b in (1.5, 2.1))
    found = what_moved(Remeasured(tile, tile), Remeasured(then, now), 0.2)
    assert ("plaque", "open", "moved") == (found.mover, found.instrument.state, found.plaque.state)
    assert "A drift of the instrument cannot be excluded" in found.says


@pytest.mark.thorough
@pytest.mark.parametrize(("n", "noise"), [(3, None), (2, None), (3, 0.05)])
def test_what_stood_still_is_rarely_called_moved(n, noise):
    """In 1,500 simulated remeasurements without movement at most 5 % are called moved, for tile and plaque (binomial, 99.9 %)."""
    rng, size, false = np.random.default_rng(11), 1500, np.zeros(2, int)
    for _ in range(size):
        tile, plaque = (
            Remeasured(*(tuple(map(tuple, rng.normal(0, sd, (n, 3)))) for _ in range(2)), noise and sd)
            for sd in (0.02, 0.05)
        )
        found = what_moved(tile, plaque, 0.01)
        false += [found.instrument.state == "moved", found.plaque.state == "moved"]
    assert all(binomtest(int(count), size).proportion_ci(0.999).low <= 0.05 for count in false)


@OFTEN
@given(tile=st.tuples(*[numbers(-1, 1)] * 3), plaque=st.tuples(*[numbers(-1, 1)] * 3), drift=numbers(-5, 5))
def test_laws_of_movement(tile, plaque, drift):
    """A drift of both is never the plaque's; negated inputs negate the result; a wider relevant change never makes anything move."""
    found = what_moved(moved(*tile), moved(*plaque), 0.3)
    drifted = what_moved(moved(*(by + drift for by in tile)), moved(*(by + drift for by in plaque)), 0.3)
    assert pytest.approx(found.plaque.change, abs=SAME_FORMULA) == drifted.plaque.change
    turned = what_moved(moved(*(-by for by in tile)), moved(*(-by for by in plaque)), 0.3)
    assert pytest.approx([-by for by in found.plaque.change], abs=SAME_FORMULA) == turned.plaque.change
    wider = what_moved(moved(*tile), moved(*plaque), 0.6)
    if found.plaque.state != "moved":
        assert wider.plaque.state != "moved"
    if found.mover == "neither":
        assert "neither" == wider.mover


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Remeasured((), ((1.0,),)), "a reading then and a reading now"),
        (lambda: Remeasured(((1.0,),), ((1.0, 2.0),)), "same components"),
        (lambda: Remeasured(((),), ((),)), "same components"),
        (lambda: Remeasured(((math.nan,),), ((1.0,),)), "must be numbers"),
        (lambda: Remeasured(((1.0,),), ((1.0,),), 0.0), "noise is 0.0"),
        (lambda: what_moved(STILL, STILL, 0.0), "matters is 0.0"),
        (lambda: what_moved(STILL, Remeasured(((1.0,),), ((1.0,),)), 0.3), "same components, got 3 and 1"),
        (lambda: Remeasurement(datetime(2025, 1, 1), 0.1, WITHIN), "time zone"),
        (lambda: Remeasurement(MONDAY, math.nan, WITHIN), "value is nan"),
        (lambda: Remeasurement(MONDAY, 0.1, WITHIN, -1.0), "uncertainty is -1.0"),
        (lambda: due_at(MONDAY, [], 0, SIMPLE), "interval_days is 0"),
        (lambda: due_at(datetime(2025, 1, 1), [], 10, SIMPLE), "time zone"),
    ],
)
def test_nonsense_is_refused(make, says):
    """Missing readings, different lengths, non-finite numbers, times without zone and empty intervals raise."""
    with pytest.raises(ValueError, match=says):
        make()


def day(number: float) -> datetime:
    """A moment so many days after Monday."""
    return MONDAY + timedelta(days=number)


def history(*values: tuple[float, float]) -> list[Remeasurement]:
    """A reference measured on these days with these differences from its own values; up to 0.3 agrees."""
    return [Remeasurement(day(at), value, WITHIN) for at, value in values]


def in_days(found) -> list[tuple[float | None, ...]]:
    """Suspect periods as days since Monday."""
    moments = [(doubt.since, doubt.found_at, doubt.until) for doubt in found]
    return [tuple(None if at is None else (at - MONDAY) / timedelta(days=1) for at in row) for row in moments]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((), []),
        (((0, 0.0),), []),
        (((0, 0.0), (180, 0.3)), []),
        (((0, 0.0), (180, 0.31)), [(0, 180, None)]),
        (((0, 0.0), (90, 0.1), (180, 0.4), (200, 0.5)), [(90, 180, None)]),
        (((180, 0.4),), [(None, 180, None)]),
        (((0, 0.0), (180, 0.4), (190, 0.1)), [(0, 180, 190)]),
        (((0, 0.0), (10, 0.4), (20, 0.1), (30, 0.4)), [(0, 10, 20), (20, 30, None)]),
        (((30, 0.4), (0, 0.0), (20, 0.1)), [(20, 30, None)]),
        (((0, 0.0), (10, 0.1), (10, 0.4)), [(0, 10, None)]),
    ],
)
def test_doubt_reaches_back_to_the_last_agreement(values, expected):
    """A doubt lasts from the last agreement to the next; the limit agrees; order is by time; of two at once the worse counts."""
    assert expected == in_days(doubts(history(*values), SIMPLE))


def test_a_guarded_rule_asks_for_more():
    """Under the guarded rule, a remeasurement within its guard band or without an uncertainty is no agreement."""

    def measured(value, u):
        return Remeasurement(MONDAY, value, WITHIN, u).agrees(GUARDED)

    assert (True, False, False) == (measured(0.1, 0.1), measured(0.2, 0.1), measured(0.1, None))
    edge = 0.3 - GUARDED.z * 0.05
    assert (True, False) == (measured(edge, 0.05), measured(edge + 1e-6, 0.05))


MOMENTS = st.integers(0, 60)
HISTORIES = st.lists(st.tuples(MOMENTS, st.sampled_from((0.1, 0.4))), max_size=6)


@OFTEN
@given(values=HISTORIES, at=MOMENTS)
def test_a_decision_is_in_doubt_exactly_between_agreements(values, at):
    """A decision is in doubt where the remeasurement before or after it did not agree (second implementation, moment by moment)."""
    before = [when for when, _ in values if when <= at]
    after = [when for when, _ in values if when > at]
    disagreeing = {when for when, value in values if value > 0.3}
    expected = (bool(before) and max(before) in disagreeing) or (bool(after) and min(after) in disagreeing)
    assert expected is any(doubt.holds(day(at)) for doubt in doubts(history(*values), SIMPLE))


@OFTEN
@given(values=HISTORIES, order=st.randoms(use_true_random=False), at=MOMENTS)
def test_order_and_further_agreements(values, order, at):
    """The stored order has no effect, and another agreement never widens a doubt."""
    shuffled = list(values)
    order.shuffle(shuffled)
    assert doubts(history(*values), SIMPLE) == doubts(history(*shuffled), SIMPLE)
    more = doubts(history(*values, (at, 0.0)), SIMPLE)
    held = [doubt.holds(day(m)) for m in range(61) for doubt in more]
    was = [doubt.holds(day(m)) for m in range(61) for doubt in doubts(history(*values), SIMPLE)]
    assert sum(held) <= sum(was)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ((), 180),
        (((100, 0.1),), 280),
        (((100, 0.1), (50, 0.4)), 280),
        (((100, 0.4),), 100),
        (((50, 0.1), (100, 0.4)), 100),
        (((100, 0.1), (100, 0.4)), 100),
        (((0, 0.4),), 0),
    ],
)
def test_when_a_reference_is_due(values, expected):
    """A reference is due one interval after approval or the newest agreement, and at once after a disagreement."""
    assert day(expected) == due_at(MONDAY, history(*values), 180, SIMPLE)
