"""Drift of one measure over consecutive lots, and of a colour as a whole. Figures computed from the charts' definitions; T2 by scipy."""

import math

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from lots.domain.conformity.limits import Limit
from lots.domain.drift import hotelling
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM, Baseline, baseline_from
from lots.domain.drift.color_together import color_baseline, together
from lots.domain.drift.drift_analysis import analyse
from tests.tolerances import PRINTED_3, SAME_FORMULA, SAME_SUM

# Lots about 0 with spread 1 and no pattern, for use before or after the lots of a test.
QUIET = [0.3, -0.8, 0.6, -0.2, 1.1, -0.6, 0.2, 0.7, -1.2, 0.4]
UNIT = Baseline(0.0, 1.0, 0, chosen=True)


def first_calls(found) -> dict[str, int]:
    """Chart -> index of its first signalled lot."""
    calls: dict[str, int] = {}
    for call in (call for signal in found.signals for call in signal.calls):
        calls[call.chart] = min(call.index, calls.get(call.chart, call.index))
    return calls


def only(found):
    """The one signal of an analysis."""
    (signal,) = found.signals
    return signal


# A white with b* 1.50 and deviation 0.12 from lot to lot, which now rises by 0.08 a lot, a fraction of the deviation.
@pytest.mark.parametrize("mean", [1.5, 0.0], ids=["b", "db"])
def test_a_slow_walk_is_first_seen_by_the_charts_that_remember(mean):
    """Without noise: the EWMA signals lot 5, the CUSUM and three sigma lot 6 (computed from the definitions).

    At lot 5 the average is 1.631 and its upper limit 1.602: 1.5 + 2.7 * 0.12 * sqrt(0.2 / 1.8 * (1 - 0.8^10)).
    """
    values = [mean + 0.08 * lot for lot in range(10)]
    found = analyse(values, Baseline(mean, 0.12, 0, chosen=True), None, "")
    calls = first_calls(found)
    assert (4, 5, 5) == (calls["ewma"], calls["cusum"], calls["individuals"])
    average, limit = (0.12 * part[4] + mean for part in (found.charts.ewma.statistic, found.charts.ewma.upper))
    assert pytest.approx((mean + 0.131, mean + 0.102), abs=PRINTED_3) == (average, limit)
    # z is 0, 2/3, 4/3, ...: the sum of what lies beyond 0.5 is 4 2/3 at lot 5 and 7 1/2 at lot 6, over 5.
    assert pytest.approx((14 / 3, 7.5), abs=SAME_FORMULA) == tuple(found.charts.cusum.high[4:6])


def test_a_slow_walk_is_told_as_a_ramp_from_its_first_lot():
    """Kind, direction, slope and departure of the ramp are recovered; the second lot is the first to deviate (exact without noise)."""
    signal = only(analyse([0.08 * lot for lot in range(10)], Baseline(0.0, 0.12, 0, chosen=True), None, ""))
    assert ("ramp", 1, True, 1) == (signal.kind, signal.side, signal.active, signal.began)
    assert (4, 9) == (signal.first, signal.last)
    assert pytest.approx((0.08, 0.72), abs=SAME_FORMULA) == (signal.size, signal.departure)


def test_a_jump_is_told_as_a_step_at_its_lot():
    """Shrinkage from 0.30 to 0.62 % at lot 10 is a step of 0.32 there, from the provisional baseline of the first eight lots."""
    values = [0.30, 0.31, 0.29, 0.30, 0.31, 0.29, 0.30, 0.30, 0.30, 0.62, 0.61, 0.63]
    found = analyse(values, None, Limit(0.1, 0.5, "%"), "%")
    signal = only(found)
    assert ("step", 1, 9, 9, True) == (signal.kind, signal.side, signal.began, signal.first, signal.active)
    assert pytest.approx(0.62 - 0.30, abs=SAME_FORMULA) == signal.size
    assert 9 == first_calls(found)["individuals"]
    assert ("provisional", 8, False, True) == (
        found.baseline.status,
        found.baseline.n,
        found.baseline.chosen,
        found.baseline.steady,
    )
    assert None is found.projection


@pytest.mark.parametrize(
    ("n", "chosen", "status"),
    [
        (0, True, "given"),
        (PROVISIONAL_FROM, True, "provisional"),
        (FIRM_FROM - 1, True, "provisional"),
        (FIRM_FROM, True, "firm"),
        (PROVISIONAL_FROM, False, "provisional"),
        (FIRM_FROM, False, "provisional"),
    ],
)
def test_a_baseline_is_given_provisional_or_firm(n, chosen, status):
    """A firm baseline needs twenty lots chosen by a person; a provisional one is never firm."""
    assert status == Baseline(0.0, 1.0, n, chosen).status


def test_a_baseline_scatters_from_lot_to_lot():
    """With mean 1.5 and moving ranges of 1, sigma is 1 / d2 = sqrt(pi) / 2 (NIST/SEMATECH e-Handbook 6.3.2.2)."""
    found = baseline_from([1.0, 2.0] * 4, chosen=True)
    assert pytest.approx((1.5, math.sqrt(math.pi) / 2), abs=SAME_SUM) == (found.mean, found.sigma)
    assert (8, True, True) == (found.n, found.chosen, found.steady)


def test_seven_lots_are_no_baseline():
    """A baseline needs eight lots; seven are too few."""
    assert None is baseline_from(QUIET[:7], chosen=True)


@pytest.mark.parametrize("values", [[0.3] * 12, [0.1 + 0.2, 0.3] * 6], ids=["alike", "last-bit"])
def test_lots_that_are_all_alike_are_no_baseline(values):
    """Equal values, or values equal within rounding, give no baseline, no signal and no error."""
    found = analyse(values, None, Limit(None, 0.5), "")
    assert (None, None, (), None) == (found.baseline, found.charts, found.signals, found.projection)


def test_lots_that_drift_while_they_stand_in_are_marked():
    """In twelve rising lots the provisional baseline is marked as unsteady, and the drift starts at the first lot."""
    found = analyse([0.1 * lot for lot in range(12)], None, None, "")
    signal = only(found)
    assert (False, "provisional") == (found.baseline.steady, found.baseline.status)
    assert ("ramp", 1, 0, 11, True) == (signal.kind, signal.side, signal.began, signal.last, signal.active)
    assert pytest.approx((0.1, 1.1), abs=SAME_FORMULA) == (signal.size, signal.departure)
    assert "trend" in {call.chart for call in signal.calls}


def test_the_same_lots_chosen_are_charted_as_they_are():
    """A chosen baseline of drifting lots is used as it is."""
    values = [0.1 * lot for lot in range(12)]
    chosen = baseline_from(values[:8], chosen=True)
    assert not chosen.steady
    assert first_calls(analyse(values, chosen, None, ""))["ewma"] < 11


@pytest.mark.parametrize("n", [0, 1, 2, 3, 7])
def test_fewer_than_eight_lots_are_not_charted(n):
    """With three to seven lots only a trend is tested; QUIET has none."""
    found = analyse(QUIET[:n], None, None, "")
    assert (None, None, ()) == (found.baseline, found.charts, found.signals)
    assert (n >= 3, n >= 3) == (found.trend is not None, found.slope is not None)


def test_a_trend_is_found_before_there_is_a_baseline():
    """Seven rising lots have Mann-Kendall's p of 0.0027 (s 21, variance 44.33, z 20 / 6.658; computed), below 0.01."""
    found = analyse([0.0, 0.1, 0.3, 0.4, 0.6, 0.7, 0.8], None, Limit(None, 1.0), "")
    signal = only(found)
    assert None is found.charts
    assert {"trend": 6} == first_calls(found)
    assert ("ramp", 1, 0, True) == (signal.kind, signal.side, signal.began, signal.active)
    assert pytest.approx(0.14, abs=0.01) == signal.size
    assert 9 == found.projection.about


def test_a_single_lot_off_is_told_as_one():
    """A lot at 27 sigma is a single outlier, and the remaining sums signal no later lot."""
    signal = only(analyse([*QUIET, 27.0, *QUIET], UNIT, None, ""))
    assert ("single", 10, 10, 10, False) == (signal.kind, signal.began, signal.first, signal.last, signal.active)
    assert (27.0, 27.0) == (signal.size, signal.departure)


def test_a_bad_period_ends_where_it_ended():
    """After ten lots at 5 sigma and forty steady ones the CUSUM is at 45 and would take eighty lots to return, but the signal ends."""
    found = analyse([*QUIET, *(5 + z for z in QUIET), *QUIET * 4], UNIT, None, "")
    signal = only(found)
    assert ("step", 10, 19, False) == (signal.kind, signal.began, signal.last, signal.active)
    assert pytest.approx(5 + sum(QUIET) / 10, abs=SAME_FORMULA) == signal.size
    assert found.charts.cusum.high[-1] > 20


def test_a_single_lot_hides_no_later_change():
    """After one lot at 8 sigma, a step of 1.5 sigma is a separate active signal with its own start and size."""
    found = analyse([*QUIET, 8.0, *QUIET[:4], *(1.5 + z for z in QUIET * 2)], UNIT, None, "")
    one, lasting = (signal for signal in found.signals if signal.side > 0)
    assert ("single", 10, False) == (one.kind, one.began, one.active)
    assert ("step", True) == (lasting.kind, lasting.active)
    assert abs(lasting.began - 15) <= 1
    assert pytest.approx(1.5 + sum(QUIET) / 10, abs=0.1) == lasting.size


def test_a_change_back_is_told_with_its_own_size():
    """Three sigma down for ten lots and then 2 up are two signals with their own sizes."""
    found = analyse([*QUIET, *(z - 3 for z in QUIET), *(z + 2 for z in QUIET)], UNIT, None, "")
    sizes = {signal.side: (signal.began, signal.active, round(signal.size)) for signal in found.signals if signal.side}
    assert {-1: (10, False, -3), 1: (20, True, 2)} == sizes


def test_six_lots_that_rise_below_the_mean_are_told_as_rising():
    """Six lots rising from below the mean are reported as rising by their slope, though none is above the mean (rule N3)."""
    found = analyse([*QUIET, -4.0, -3.5, -3.0, -2.5, -2.0, -1.5], UNIT, None, "", rules=True)
    up = next(signal for signal in found.signals if signal.side > 0)
    assert (["N3"], 11, 15) == ([call.chart for call in up.calls], up.began, up.last)
    assert pytest.approx((0.5, 2.5), abs=SAME_FORMULA) == (up.size, up.departure)


def test_a_pattern_is_not_a_drift():
    """Fourteen alternating lots are a pattern without side, size or projection (rule N4)."""
    found = analyse([0.4, -0.4] * 7, UNIT, Limit(-1.0, 1.0), "", rules=True)
    signal = only(found)
    assert ("pattern", 0, 13, 0.0, 0.0) == (signal.kind, signal.side, signal.first, signal.size, signal.departure)
    assert {"N4": 13} == first_calls(found)
    assert None is found.projection


def test_run_rules_are_looked_for_on_request():
    """By default only the charts signal, so fourteen alternating lots have no signal."""
    assert () == analyse([0.4, -0.4] * 7, UNIT, None, "").signals


def test_a_lot_beyond_three_sigma_is_called_once():
    """A lot beyond three sigma is signalled once, because rule N1 is the individuals chart."""
    assert {"individuals": 10} == first_calls(analyse([*QUIET, -3.2], UNIT, None, "", rules=True))


def test_the_projection_counts_lots_as_the_series_does():
    """A ramp after twenty steady lots is projected from its start, in the numbering of the series (exact line: 1.0 at lot 45)."""
    values = [*QUIET * 2, *(1 + lot for lot in range(8))]
    found = analyse(values, UNIT, Limit(None, 25.0), "", first=1)
    assert (21, 28) == (found.projection.first, found.projection.last)
    assert pytest.approx(1.0, abs=SAME_FORMULA) == found.projection.slope
    assert 45 == found.projection.about


# Lightness and b* that go together, a* by itself: twenty lots.
CHANCE = np.random.default_rng(1)
TOGETHER = np.column_stack([CHANCE.normal(0, 0.3, 20), CHANCE.normal(0, 0.1, 20), CHANCE.normal(0, 0.05, 20)])
TOGETHER[:, 2] += TOGETHER[:, 0]
# Lighter and bluer by 1.5 deviations: either alone is ordinary.
AGAINST = (TOGETHER.mean(axis=0) + [1.5, 0.0, -1.5] * TOGETHER.std(axis=0, ddof=1)).tolist()


def test_a_colour_may_be_unusual_though_no_coordinate_is():
    """Where lighter lots are also yellower, a lighter and bluer lot signals, driven by lightness and b*."""
    base = color_baseline(TOGETHER.tolist(), chosen=True)
    found = together([*TOGETHER[:5].tolist(), AGAINST], base)
    ((index, parts),) = found.signals
    assert (5, 20) == (index, found.n)
    z = np.abs(np.array(AGAINST) - TOGETHER.mean(axis=0)) / TOGETHER.std(axis=0, ddof=1)
    assert pytest.approx(1.5, abs=SAME_FORMULA) == z.max()
    assert min(parts[0], parts[2]) > found.limit > 10 * parts[1]


def test_t2_and_its_limit():
    """T² = d S^-1 d from numpy, its limit from scipy's F: p (n + 1)(n - 1) / (n (n - p)) F, 3 and 17 degrees of freedom, at 0.27 %."""
    found = together([AGAINST], color_baseline(TOGETHER.tolist(), chosen=True))
    apart = np.array(AGAINST) - TOGETHER.mean(axis=0)
    expected = apart @ np.linalg.solve(np.cov(TOGETHER.T), apart)
    assert pytest.approx(expected, rel=SAME_FORMULA) == found.statistic[0]
    limit = 3 * 21 * 19 / (20 * 17) * f_distribution.isf(0.0027, 3, 17)
    assert pytest.approx(limit, rel=SAME_FORMULA) == found.limit


@pytest.mark.parametrize("beyond", [0, 1, 50])
def test_a_covariance_is_inverted_twice_however_many_colours_are_unusual(beyond, monkeypatch):
    """The covariance is inverted twice for any number of unusual colours: for the T2 of all lots, and for the contributions."""
    inverted, inverse = [], hotelling._inverse
    monkeypatch.setattr(hotelling, "_inverse", lambda *args: inverted.append(args) or inverse(*args))
    found = together([*TOGETHER[:5].tolist(), *[AGAINST] * beyond], color_baseline(TOGETHER.tolist(), chosen=True))
    assert (beyond, 2) == (len(list(found.signals)), len(inverted))


def test_the_first_eight_colours_stand_in():
    """Without a chosen baseline the first eight lots are the provisional one."""
    assert None is together(TOGETHER[:7].tolist(), None)
    assert None is together([], None)
    assert 8 == together(TOGETHER[:9].tolist(), None).n
    assert False is color_baseline(TOGETHER.tolist(), chosen=False).chosen


def test_colours_that_lie_in_a_plane_say_nothing_across_it():
    """Where a coordinate never varied or depends on the others, the colour as a whole is not charted."""
    flat, tied = TOGETHER.copy(), TOGETHER.copy()
    flat[:, 1], tied[:, 2] = 0.0, tied[:, 0] - tied[:, 1]
    assert (None, None) == (together(flat.tolist(), None), together(tied.tolist(), None))
