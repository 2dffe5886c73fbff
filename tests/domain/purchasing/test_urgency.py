"""Order of the week's list, the share of a limit, and the effect of a filter before a selection on its promise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lots.domain.conformity.limits import Limit
from lots.domain.drift.drift_analysis import analyse
from lots.domain.drift.reported import listing, signals_to_report
from lots.domain.purchasing import urgency
from lots.domain.purchasing.urgency import MATTERS, Risk
from lots.domain.statistics.changing_level import outlook

UP_TO_ONE = Limit(-1.0, 1.0)
shares = st.floats(0.0, 1.0)
masses = st.floats(0.0, 1e4)
risks = st.builds(
    Risk,
    probability_next_fails=st.none() | shares,
    stock_kg=masses,
    lot_kg=masses,
    lots_left=st.none() | st.integers(0, 60),
)


@given(st.sampled_from(MATTERS), risks, st.sampled_from(MATTERS), risks)
def test_what_must_be_acted_on_now_comes_before_everything_else(one, risk, other, other_risk):
    """An urgent entry comes before all others, whatever their kilograms."""
    if urgency.act_now(one, risk) and not urgency.act_now(other, other_risk):
        assert urgency.urgency(one, risk) < urgency.urgency(other, other_risk)


@given(st.sampled_from(MATTERS), risks, masses, masses)
def test_of_two_alike_the_one_with_more_kilograms_comes_first(what, risk, few, more):
    """Of two equal entries the one with more kilograms comes first: a coming lot where one is likely to fail, else the stock."""
    low, high = sorted((few, more))
    light, heavy = (
        Risk(probability_next_fails=risk.probability_next_fails, stock_kg=kg, lot_kg=kg, lots_left=risk.lots_left)
        for kg in (low, high)
    )
    assert urgency.urgency(what, heavy) <= urgency.urgency(what, light)


@given(st.floats(-1.0, 1.0))
def test_the_share_of_a_limit_is_1_at_its_end_and_0_at_its_middle(at):
    """The share of a limit is 1 at its end and 0 at its middle, by the distance from the middle."""
    assert pytest.approx(abs(at), abs=1e-8) == urgency.limit_used(UP_TO_ONE, at)
    assert pytest.approx(0.5) == urgency.limit_used(Limit(0.98, None, target=1.0), 0.99)
    assert None is urgency.limit_used(Limit(0.0, 0.0), 0.0)


def series(*, slope=0.0, step=0.0, lots=30, seed=1, sd=0.05):
    """Lots that begin to move at the 11th."""
    rng = np.random.default_rng(seed)
    moved = slope * np.maximum(0, np.arange(lots) - 9) + step * (np.arange(lots) >= 10)
    return moved + sd * rng.standard_normal(lots)


@pytest.mark.parametrize(
    ("values", "limit", "listed"),
    [
        (series(slope=0.03), UP_TO_ONE, True),
        (series(slope=0.03), None, False),
        (1.0 - series(slope=0.03), Limit(None, 1.5), False),
        (30 + series(slope=0.3), Limit(20.0, None), False),
        (series(step=0.15), UP_TO_ONE, False),
        (series(step=0.15), Limit(-0.5, 0.5), True),
        (series(slope=0.01), UP_TO_ONE, False),
    ],
    ids=["drift", "no limit", "nearer the target", "stronger", "small step", "same step, narrow limit", "far"],
)
def test_only_what_moves_towards_a_limit_and_matters_is_acted_on(values, limit, listed):
    """Of the signalled series the list shows those that approach a limit and are relevant."""
    found = analyse(values, None, limit, "")
    assert any(one.active for one in found.signals)
    assert listed is bool(urgency.signals_to_act_on(found, limit))


def test_a_listed_series_is_listed_on_the_drift_pages_too():
    """Raising p-values before the selection removes series and never adds one."""
    limits = (UP_TO_ONE, None, Limit(None, 0.4))
    some = [
        (analyse(series(slope=slope, step=step, seed=seed), None, limit, ""), limit)
        for seed in range(4)
        for slope, step in ((0.0, 0.0), (0.02, 0.0), (0.0, 0.12), (0.0, 0.5))
        for limit in limits
    ]
    week, every = listing(some, shows=urgency.signals_to_act_on), listing(some, shows=signals_to_report)
    assert 0 < week.count < every.count
    assert week.looked_at == every.looked_at
    assert all(on_drift_page for here, on_drift_page in zip(week.listed, every.listed, strict=True) if here)


@pytest.mark.parametrize("low", [None, -0.2, 5.0])
@pytest.mark.parametrize("high", [0.3, 1.0, None])
def test_the_probability_outside_a_limit_is_that_of_the_mixture(low, high):
    """The probability outside a limit is the weighted Student's t of scipy for each model; the 95 % interval has 5 % outside."""
    seen = outlook(series(slope=0.03).tolist())
    each = stats.t(seen.df, loc=seen.level, scale=np.sqrt(seen.squares / seen.df * (seen.doubt + seen.around)))
    beyond = (0.0 if low is None else seen.weights @ each.cdf(low)) + (
        0.0 if high is None else seen.weights @ each.sf(high)
    )
    assert pytest.approx(min(1.0, beyond), abs=1e-9) == seen.outside(low, high)
    ends = seen.interval()
    assert pytest.approx(0.05, abs=1e-6) == seen.outside(ends.low, ends.high)
