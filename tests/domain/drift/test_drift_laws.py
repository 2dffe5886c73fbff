"""Laws of drift over arbitrary lots (hypothesis), and false signals of steady lots (simulation).

Run lengths: Lucas and Crosier 1982, Lucas and Saccucci 1990 (the reference file); for the width used here, by their Markov chain.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.domain.conformity.limits import Limit
from lots.domain.drift import drift_analysis, self_starting, signals
from lots.domain.drift.baseline import PROVISIONAL_FROM, Baseline
from lots.domain.drift.drift_analysis import analyse
from lots.domain.drift.self_starting import EWMA_WEIGHT, EWMA_WIDTH
from tests.domain.builders import reference_json
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import MARKOV_CHAIN, STANDARD_ERRORS

THOROUGH = examples(80)
# Numbers of few binary digits: sums of them are exact, so that no call turns on a last bit.
EXACT = steps(-4, 4, 0.125)
UNIT = Baseline(0.0, 1.0, 0, chosen=True)


@st.composite
def moving(draw, most: int = 40):
    """Lots with noise, some of which jump, walk, or do so for a while."""
    values = draw(st.lists(EXACT, max_size=most))
    for _ in range(draw(st.integers(0, 2))):
        first, length = draw(st.integers(0, most)), draw(st.integers(1, most))
        jump, slope = draw(st.sampled_from((0.0, 2.0, -3.0, 8.0))), draw(st.sampled_from((0.0, 0.25, -0.5)))
        values = [
            v + (jump + slope * (i - first) if first <= i < first + length else 0.0) for i, v in enumerate(values)
        ]
    return values


# Provisional, given, chosen with a standard deviation from the moving range alone, chosen from lots of the series.
BASES = st.sampled_from(
    (
        None,
        UNIT,
        Baseline(0.5, 2.0, 12, chosen=True),
        Baseline(0.5, 2.0, 8, chosen=True, sd=2.25, own=tuple(range(4, 12))),
    )
)


def moved(base: Baseline | None, by: float = 0.0, scale: float = 1.0) -> Baseline | None:
    """A baseline shifted and scaled like its lots."""
    if base is None:
        return None
    size = abs(scale)
    return replace(base, mean=scale * base.mean + by, sigma=size * base.sigma, sd=base.sd and size * base.sd)


def described(signals, turn: int = 1, scale: float = 1.0) -> set:
    """Signals with mirrored sides and scaled sizes."""
    return {
        (s.side * turn, s.first, s.last, s.active, s.kind, s.began, s.calls, s.size * scale, s.departure * scale)
        for s in signals
    }


@THOROUGH
@given(values=moving(), base=BASES, by=st.sampled_from((-64.0, 0.5, 16.0)), rules=st.booleans())
def test_a_constant_added_moves_no_signal(values, base, by, rules):
    """Lots and baseline moved by the same amount have the same signals and p-value."""
    before = analyse(values, base, None, "", rules=rules)
    after = analyse([v + by for v in values], moved(base, by), None, "", rules=rules)
    assert described(before.signals) == described(after.signals)
    assert before.p == after.p


@THOROUGH
@given(values=moving(), base=BASES)
def test_negated_lots_move_the_other_way(values, base):
    """Negated lots have mirrored sides and sizes; patterns without a side are unchanged."""
    before = analyse(values, base, None, "")
    after = analyse([-v for v in values], moved(base, scale=-1.0), None, "")
    assert described(before.signals, -1, -1.0) == described(after.signals)


@THOROUGH
@given(values=moving(), base=BASES, by=st.sampled_from((0.25, 2.0, 1024.0)), rules=st.booleans())
def test_scaled_lots_have_scaled_sizes(values, base, by, rules):
    """Scaled lots have the same signals and p-value, with scaled sizes."""
    before = analyse(values, base, None, "", rules=rules)
    after = analyse([by * v for v in values], moved(base, scale=by), None, "", rules=rules)
    assert described(before.signals, scale=by) == described(after.signals)
    assert before.p == after.p


@examples(300)
@given(values=moving(), base=BASES, further=st.sampled_from((0.125, 1.0, 30.0)))
def test_a_larger_last_deviation_never_ends_a_signal(values, base, further):
    """A larger last deviation in the direction of an active signal keeps a signal active in that direction."""
    for side in {s.side for s in analyse(values, base, None, "").signals if s.active and s.side}:
        after = analyse([*values[:-1], values[-1] + side * further], base, None, "")
        assert any(s.active and s.side == side for s in after.signals)


@THOROUGH
@given(
    values=moving(),
    base=st.sampled_from((UNIT, Baseline(0.5, 2.0, 12, chosen=True))),
    later=moving(30),
    rules=st.booleans(),
)
def test_lots_that_come_later_take_no_call_back(values, base, later, rules):
    """Calls of charts stay on their side with any further lots; an active signal may get further lots and another size.

    A trend refers to the whole stretch, so it may disappear.
    """

    def calls(found):
        return {(s.side, call) for s in found.signals for call in s.calls if call.chart != "trend"}

    before, after = (analyse(lots, base, None, "", rules=rules) for lots in (values, [*values, *later]))
    assert calls(before) <= calls(after)
    # Of an episode that ended with two quiet lots or more behind it nothing changes at all.
    ended = [s for s in before.signals if s.last < len(values) - 3 and not {"trend"} & {c.chart for c in s.calls}]
    assert described(ended) <= described(after.signals)


@THOROUGH
@given(values=st.lists(EXACT, min_size=PROVISIONAL_FROM, max_size=PROVISIONAL_FROM), later=moving())
def test_later_lots_never_change_the_baseline(values, later):
    """The provisional baseline is fixed at the eighth lot, whatever lots follow."""
    assert analyse(values, None, None, "").baseline == analyse([*values, *later], None, None, "").baseline


@THOROUGH
@given(values=moving(60), base=BASES, rules=st.booleans())
def test_signals_agree_with_themselves(values, base, rules):
    """Sizes and departures have the side of the signal, episodes of a side follow each other, and a change begins before its call."""
    found = analyse(values, base, None, "", rules=rules).signals
    for signal in found:
        assert 0 <= signal.began <= signal.first <= signal.last < len(values)
        assert signal.side == np.sign(signal.size) == np.sign(signal.departure)
        assert (signal.side == 0) == (signal.kind == "pattern")
        assert signal.active == (signal.last == len(values) - 1)
        assert all(signal.first <= call.index <= signal.last for call in signal.calls)
    for side in (1, -1, 0):
        mine = [s for s in found if s.side == side and {"trend"} != {call.chart for call in s.calls}]
        assert all(before.last < after.first for before, after in pairwise(mine))


# Values of every size, each behind one byte: a series is a string of bytes, which is drawn fast.
WILD = (
    *(0.0, -0.0, 0.1, 0.1 + 0.2, 0.3, 1e-300, -1e-12, 1e-9, 1e15, -1e100, 1e100, 1e6),
    *(round(0.1 * i - 4, 1) for i in range(80)),
    *np.random.default_rng(7).normal(0, 1, 164).tolist(),
)
LIMITS = st.sampled_from((None, Limit(None, 1.0), Limit(-1.0, None), Limit(0.0, 0.0)))


@examples(3000)
@given(drawn=st.binary(max_size=40), base=BASES, limit=LIMITS)
def test_nothing_makes_it_fail(drawn, base, limit):
    """Of 3000 series of 0 to 40 lots of any size, tied or not, each has an analysis with finite numbers."""
    values = [WILD[byte] for byte in drawn]
    found = analyse(values, base, limit, "mm", first=3)
    assert (len(values) >= 3) == (found.trend is not None)
    assert all(np.isfinite([s.size, s.departure]).all() for s in found.signals)
    if found.charts is not None:
        assert len(values) == len(found.charts.z)


SERIES, LOTS = 450, 200
RUN_LENGTHS = reference_json("control_charts.json")["average_run_lengths"]["rows"]


def published(**parts) -> float:
    """The mean run length of a chart in control, from the reference file."""
    (row,) = (row for row in RUN_LENGTHS if row["shift_sigma"] == 0 and parts.items() <= row.items())
    return row["arl"]


def ewma_run_length(weight: float, width: float, cells: int = 201) -> float:
    """Mean lots until an EWMA in control exceeds its limits: the Markov chain of Lucas and Saccucci 1990 over cells between them."""
    from scipy.stats import norm

    limit = width * (weight / (2 - weight)) ** 0.5
    edges = np.linspace(-limit, limit, cells + 1)
    middles = (edges[1:] + edges[:-1]) / 2
    # From a cell's middle the average lands below an edge when the next value is below this.
    reach = norm.cdf((edges[None, :] - (1 - weight) * middles[:, None]) / weight)
    lengths = np.linalg.solve(np.eye(cells) - np.diff(reach, axis=1), np.ones(cells))
    return float(lengths[cells // 2])


def test_the_chain_gives_published_run_lengths():
    """With weight 0.2 and width 2.962, and 0.1 and 2.814, the chain gives the 500 lots of the reference file within 0.1 %."""
    for row in (row for row in RUN_LENGTHS if "lambda_" in row and row["shift_sigma"] == 0):
        assert pytest.approx(row["arl"], rel=MARKOV_CHAIN) == ewma_run_length(row["lambda_"], row["L"])


def test_steady_lots_are_called_as_rarely_as_is_published():
    """In up to 90,000 lots in control with a given baseline each chart has its published average run length.

    The rate of first calls is taken over the lots up to them; it is held to four standard errors, 1 over the root of the calls.
    Individuals: 370; CUSUM: 465; EWMA of width 2.7: 238 (computed by the chain).
    """
    expected = {
        "individuals": published(chart="Shewhart individuals 3 sigma"),
        "cusum": published(k=0.5, h=5.0),
        "ewma": ewma_run_length(EWMA_WEIGHT, EWMA_WIDTH),
    }
    assert 238 == round(expected["ewma"])
    rng = np.random.default_rng(8)
    lots, calls = dict.fromkeys(expected, 0), dict.fromkeys(expected, 0)
    for _ in range(SERIES):
        found = analyse(rng.normal(5.0, 0.2, LOTS), Baseline(5.0, 0.2, 0, chosen=True), None, "")
        for chart in expected:
            first = min((c.index for s in found.signals for c in s.calls if c.chart == chart), default=None)
            lots[chart] += LOTS if first is None else first + 1
            calls[chart] += first is not None
    for chart, length in expected.items():
        within = STANDARD_ERRORS / calls[chart] ** 0.5
        assert calls[chart] > 120
        assert pytest.approx(length, rel=within) == lots[chart] / calls[chart]


def test_a_shift_is_called_by_the_charts_that_remember():
    """After a shift of one deviation at lot 41, the CUSUM signals half of 300 series within eleven lots (published mean 10.4), before three sigma.

    Series with an earlier CUSUM signal are left out.
    """
    rng = np.random.default_rng(9)
    delays = {"cusum": [], "individuals": []}
    for _ in range(300):
        z = rng.normal(size=120) + (np.arange(120) >= 40)
        found = analyse(z, UNIT, None, "")
        for chart, seen in delays.items():
            first = min((c.index for s in found.signals for c in s.calls if c.chart == chart), default=120)
            seen += [first - 39] if first >= 40 else []
    assert np.median(delays["cusum"]) <= 11 < np.median(delays["individuals"])


def test_sizes_are_near_what_was_put_in():
    """A step of 2 deviations over 20 lots has the right kind in 9 of 10 series, and in most the size within 0.3 and the start within 3 lots."""
    rng = np.random.default_rng(10)
    found = []
    for _ in range(200):
        z = rng.normal(size=60) + np.where(np.arange(60) >= 40, 2.0, 0.0)
        found += [s for s in analyse(z, UNIT, None, "").signals if s.active and s.side > 0]
    assert len(found) > 190
    assert np.mean([s.kind == "step" for s in found]) > 0.9
    assert np.median([abs(s.size - 2.0) for s in found]) < 0.3
    assert np.mean([abs(s.began - 40) <= 3 for s in found]) > 0.9


@pytest.mark.parametrize("ahead", [1, 7, 100_000])
def test_how_far_ahead_is_charted_after_a_return_changes_no_signal(ahead, monkeypatch):
    """Sixty lots with five deviating ones give the same signals, however few are charted at once."""
    values = np.random.default_rng(4).normal(0, 1, 900)
    for first in range(40, 900, 60):
        values[first : first + 5] += 6
    expected = analyse(values.tolist(), UNIT, None, "").signals
    assert sum(not signal.active for signal in expected) > 10
    monkeypatch.setattr(signals, "_AHEAD", ahead)
    assert expected == analyse(values.tolist(), UNIT, None, "").signals


@pytest.mark.parametrize("way", ["coming and going", "walking"])
def test_a_series_is_charted_a_few_times_over_however_long_it_is(way, monkeypatch):
    """The lots charted per lot of the series do not grow from 2,000 to 8,000 lots."""
    charted = []
    whole = self_starting.chart_lots
    monkeypatch.setattr(
        self_starting, "chart_lots", lambda z, scored, **more: charted.append(len(z)) or whole(z, scored, **more)
    )
    share = []
    for n in (2000, 8000):
        values = np.random.default_rng(4).normal(0, 1, n)
        values += 6 * (np.arange(n) % 100 < 5) if way == "coming and going" else np.linspace(0, 4, n)
        charted.clear()
        analyse(values.tolist(), UNIT, None, "")
        share.append(sum(charted) / n)
    assert share[1] < 1.5 * share[0]


def test_a_call_is_made_only_where_it_is_told(monkeypatch):
    """Charts call nearly every lot of a ramp, and each signal keeps only the first call of each chart."""
    made, call = [], signals.Call
    for module in (signals, drift_analysis):
        monkeypatch.setattr(module, "Call", lambda *args: made.append(args) or call(*args))
    found = analyse(np.random.default_rng(4).normal(0, 1, 2000) + np.linspace(0, 8, 2000), UNIT, None, "")
    assert sum(found.charts.ewma.above) > 1000
    assert len(made) == sum(len(signal.calls) for signal in found.signals) < 200
