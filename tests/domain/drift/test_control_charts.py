"""Control charts. Sources: NIST/SEMATECH e-Handbook 6.3.2.2 to 6.3.2.4 in the reference file; the recursions as their authors wrote them."""

import tracemalloc
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from lots.domain.drift.change_point import find_change
from lots.domain.drift.control_charts import (
    MR_D2,
    MR_D4,
    Chart,
    CusumChart,
    Individuals,
    cusum,
    ewma,
    individuals,
    shewhart,
)
from lots.domain.drift.run_rules import run_rules
from lots.domain.drift.trend import mann_kendall, theil_sen
from tests.domain.builders import reference_json
from tests.domain.strategies import steps
from tests.examples import examples
from tests.tolerances import CUT_OFF_4, PRINTED_2, PRINTED_4, PRINTED_8, PRINTED_10, RUNNING_SUM, SAME_SUM

REFERENCE = reference_json("control_charts.json")
EWMA, CUSUM, INDIVIDUALS = REFERENCE["ewma"], REFERENCE["cusum"], REFERENCE["individuals"]
CONSTANTS = REFERENCE["constants_for_2"]
THOROUGH = examples(200)
# In tenths of a sigma, so that points on a limit are drawn too.
SERIES = st.lists(steps(-5, 5, 0.1), max_size=60)
CHARTS = {"shewhart": shewhart, "ewma": ewma, "ewma_steady": lambda z: ewma(z, steady=True), "cusum": cusum}


def nist_ewma(steady):
    """The handbook's EWMA example, standardised."""
    z = (np.array(EWMA["x"]) - EWMA["target"]) / EWMA["sigma"]
    return ewma(z, EWMA["lambda_"], EWMA["L"], steady=steady)


def nist_cusum():
    """The handbook's CUSUM example: k and h are in the unit of the values, so sigma is 1."""
    return cusum(np.array(CUSUM["x"]) - CUSUM["target"], CUSUM["k"], CUSUM["h"])


def signals(chart):
    """(index, side) of each point beyond a limit: those above, then those below."""
    return [(int(at), side) for side, marks in ((1, chart.above), (-1, chart.below)) for at in np.flatnonzero(marks)]


def in_unit(standardised):
    """Converts from standard deviations to the unit of the EWMA example."""
    return (EWMA["target"] + EWMA["sigma"] * np.asarray(standardised)).tolist()


def test_the_constants_for_two_values():
    """d2, D4 and the individuals factor 3/d2 for n = 2 (numeric integration; ASTM E2587 and ISO 7870-2 to three decimals)."""
    assert pytest.approx(CONSTANTS["d2"], abs=PRINTED_8) == MR_D2
    assert pytest.approx(CONSTANTS["D4"], abs=PRINTED_8) == MR_D4
    assert pytest.approx(CONSTANTS["E2"], abs=PRINTED_8) == 3 / MR_D2


def test_the_individuals_chart_of_the_handbook():
    """Centre, mean moving range and limits of NIST 6.3.2.2, to the computed decimals."""
    found = individuals(INDIVIDUALS["x"])
    assert pytest.approx(INDIVIDUALS["centre"], abs=PRINTED_10) == found.centre
    assert pytest.approx(INDIVIDUALS["mr_bar"], abs=PRINTED_10) == found.mr_bar
    assert pytest.approx(INDIVIDUALS["sigma_hat"], abs=PRINTED_10) == found.sigma
    assert pytest.approx(INDIVIDUALS["ucl"], abs=PRINTED_10) == found.ucl
    assert pytest.approx(INDIVIDUALS["lcl"], abs=PRINTED_10) == found.lcl
    assert pytest.approx(INDIVIDUALS["mr_ucl"], abs=PRINTED_10) == found.mr_ucl
    assert 10 == found.n


def test_the_individuals_chart_as_it_is_printed():
    """NIST 6.3.2.2 prints limits with d2 rounded to 1.128; with that rounding ours are the same four decimals."""
    found, printed = individuals(INDIVIDUALS["x"]), INDIVIDUALS["published"]
    rounded = 3 * found.sigma * MR_D2 / printed["d2"]
    assert printed["mean"] == round(found.centre, 4)
    assert printed["mr_bar"] == round(found.mr_bar, 4)
    assert pytest.approx(printed["ucl"], abs=PRINTED_4) == found.centre + rounded
    assert pytest.approx(printed["lcl"], abs=PRINTED_4) == found.centre - rounded


def test_values_that_never_change_have_no_scatter():
    """Equal values give limits on the centre line and a sigma of zero, for the caller to reject."""
    assert Individuals(4.0, 0.0, 0.0, 4.0, 4.0, 0.0, 3) == individuals([4.0, 4.0, 4.0])


@pytest.mark.parametrize("values", [[], [1.0], [1.0, float("nan")], [1.0, float("inf")], [[1.0, 2.0]]])
def test_limits_need_two_finite_values(values):
    """One value has no moving range, and values must be finite."""
    with pytest.raises(ValueError, match="values must be"):
        individuals(values)


@pytest.mark.parametrize("wrong", [{"sigma": -1.0}, {"ucl": 40.0}, {"n": 1}, {"centre": float("nan")}, {"mr_ucl": 0.0}])
def test_limits_that_make_no_sense_are_refused(wrong):
    """Limits that do not enclose the centre are rejected."""
    with pytest.raises(ValueError, match="limits of a chart"):
        replace(individuals(INDIVIDUALS["x"]), **wrong)


def test_a_chart_has_its_limits_at_every_point():
    """Charts with parts of different length are rejected."""
    with pytest.raises(ValueError, match="at every point"):
        Chart(np.zeros(2), np.ones(2), -np.ones(1))
    with pytest.raises(ValueError, match="both sums"):
        CusumChart(np.zeros(2), np.zeros(1), 5.0)


def test_the_ewma_of_the_handbook():
    """Averages and both kinds of limits of NIST 6.3.2.4, to the computed decimals; no point signals."""
    exact, steady = nist_ewma(steady=False), nist_ewma(steady=True)
    assert pytest.approx(EWMA["ewma"], abs=PRINTED_10) == in_unit(exact.statistic)
    assert pytest.approx(EWMA["ucl_exact"], abs=PRINTED_10) == in_unit(exact.upper)
    assert pytest.approx(EWMA["lcl_exact"], abs=PRINTED_10) == in_unit(exact.lower)
    assert pytest.approx([EWMA["ucl_asymptotic"]] * 20, abs=PRINTED_10) == in_unit(steady.upper)
    assert pytest.approx([EWMA["lcl_asymptotic"]] * 20, abs=PRINTED_10) == in_unit(steady.lower)
    assert EWMA["signals_exact_limits"] == signals(exact)
    assert EWMA["signals_asymptotic_limits"] == signals(steady)


def test_the_ewma_as_it_is_printed():
    """NIST 6.3.2.4 prints averages to two decimals, from the target on, and limits to four."""
    steady = nist_ewma(steady=True)
    averages = [EWMA["target"], *in_unit(steady.statistic)]
    assert pytest.approx(EWMA["published_ewma_2dp_including_start"], abs=PRINTED_2) == averages
    assert pytest.approx(EWMA["published_ucl"], abs=PRINTED_4) == in_unit(steady.upper)[-1]
    assert pytest.approx(EWMA["published_lcl"], abs=CUT_OFF_4) == in_unit(steady.lower)[-1]


def test_an_ewma_may_start_elsewhere():
    """The start is the average before the first point (Roberts 1959)."""
    assert [1.5, 0.75] == ewma([1.0, 0.0], 0.5, start=2.0).statistic.tolist()


def test_exact_limits_are_those_of_one_value_at_first_and_steady_at_last():
    """At the first point the average has weight times one deviation; after many the factor is root of w / (2 - w)."""
    chart = ewma(np.zeros(300), 0.2, 3.0)
    assert pytest.approx(3 * 0.2, abs=SAME_SUM) == chart.upper[0]
    assert pytest.approx(3 * (0.2 / 1.8) ** 0.5, abs=SAME_SUM) == chart.upper[-1]
    assert (chart.upper == -chart.lower).all()


def test_the_cusum_of_the_handbook():
    """Both sums of NIST 6.3.2.3 at every point, as computed and as printed, and the points that signal."""
    chart = nist_cusum()
    assert pytest.approx(CUSUM["high"], abs=PRINTED_10) == chart.high.tolist()
    assert pytest.approx(CUSUM["low"], abs=PRINTED_10) == chart.low.tolist()
    assert pytest.approx(CUSUM["published_high_2dp_points_13_to_20"], abs=PRINTED_2) == chart.high[12:].tolist()
    assert [(point - 1, 1) for point in CUSUM["signals_high"]] == signals(chart)
    assert CUSUM["h"] == chart.decision_interval


def test_a_sum_that_comes_back_to_zero_is_zero():
    """0.1 + 0.2 - 0.3 is 6e-17 in binary, but the sum is zero."""
    assert 0.1 + 0.2 - 0.3 > 0
    chart = cusum([0.1, 0.2, -0.3, 9.0], reference_value=0.0)
    assert 0.0 == chart.high[2]


@pytest.mark.parametrize(
    ("chart", "on", "beyond"),
    [
        (shewhart, 3.0, 3.01),
        # Standardised diameters as they come: 3.0000000000000027 is three.
        (shewhart, (1.83 - 1.80) / 0.01, 3.01),
        (lambda z: ewma(z, 0.5, 2.0), 2.0, 2.01),
        (lambda z: cusum(z, 0.5, 5.0), 5.5, 5.51),
    ],
)
def test_a_point_signals_only_beyond_its_limit(chart, on, beyond):
    """A point on the limit does not signal, also with rounding of the last bit."""
    assert [] == signals(chart([on]))
    assert [(0, 1)] == signals(chart([beyond]))
    assert [(0, -1)] == signals(chart([-beyond]))


def test_both_sums_may_be_beyond_at_once():
    """After a large swing both sums signal at one point."""
    assert [(0, 1), (1, 1), (1, -1)] == signals(cusum([11.0, -5.0], 0.5, 4.0))


@pytest.mark.parametrize("chart", CHARTS.values(), ids=CHARTS)
def test_no_points_make_an_empty_chart(chart):
    """A chart without points does not signal."""
    assert [] == signals(chart([]))


@pytest.mark.parametrize("chart", CHARTS.values(), ids=CHARTS)
@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_gap_is_not_charted(chart, bad):
    """A value that is not finite is rejected, with its index."""
    with pytest.raises(ValueError, match="at index 1"):
        chart([0.0, bad])


@pytest.mark.parametrize(
    ("chart", "settings_"),
    [
        (shewhart, {"limit": 0.0}),
        (ewma, {"weight": 0.0}),
        (ewma, {"weight": 1.1}),
        (ewma, {"width": -1.0}),
        (ewma, {"start": float("nan")}),
        (cusum, {"reference_value": -0.1}),
        (cusum, {"reference_value": float("inf")}),
        (cusum, {"decision_interval": 0.0}),
    ],
)
def test_a_chart_of_impossible_settings_is_refused(chart, settings_):
    """The message names the invalid setting."""
    with pytest.raises(ValueError, match=next(iter(settings_))):
        chart([0.0], **settings_)


@THOROUGH
@given(z=SERIES, weight=st.sampled_from((0.05, 0.2, 0.5, 1.0)))
def test_the_ewma_is_its_recursion(z, weight):
    """Each average is weight times the value and the rest of the average before (Roberts 1959)."""
    expected, average = [], 0.0
    for value in z:
        average = weight * value + (1 - weight) * average
        expected.append(average)
    assert pytest.approx(expected, abs=SAME_SUM) == ewma(z, weight).statistic.tolist()


@pytest.mark.parametrize("weight", [0.001, 0.2, 0.9])
def test_a_long_ewma_is_its_recursion(weight):
    """After 20,000 points, from a distant start, both algorithms agree."""
    z, average, expected = np.random.default_rng(1).normal(size=20_000), -30.0, []
    for value in z.tolist():
        average = weight * value + (1 - weight) * average
        expected.append(average)
    assert pytest.approx(np.array(expected), abs=SAME_SUM) == ewma(z, weight, start=-30.0).statistic


def cusum_by_hand(z, k):
    """Both sums point by point, as Page 1954 and the handbook write them."""
    high, low, highs, lows = 0.0, 0.0, [], []
    for value in z:
        high, low = max(0.0, high + value - k), max(0.0, low - value - k)
        highs.append(high)
        lows.append(low)
    return highs, lows


@THOROUGH
@given(z=SERIES, k=st.sampled_from((0.0, 0.25, 0.5, 1.0)))
def test_the_cusum_is_its_recursion(z, k):
    """The running total minus its minimum equals the recursion bounded at zero."""
    chart = cusum(z, k)
    highs, lows = cusum_by_hand(z, k)
    assert pytest.approx(highs, abs=RUNNING_SUM) == chart.high.tolist()
    assert pytest.approx(lows, abs=RUNNING_SUM) == chart.low.tolist()


def test_a_long_cusum_is_its_recursion():
    """After 20,000 points both algorithms agree."""
    z = np.random.default_rng(1).normal(size=20_000)
    chart = cusum(z)
    highs, lows = cusum_by_hand(z.tolist(), 0.5)
    assert pytest.approx(highs, abs=RUNNING_SUM) == chart.high.tolist()
    assert pytest.approx(lows, abs=RUNNING_SUM) == chart.low.tolist()


@THOROUGH
@given(z=SERIES)
def test_an_ewma_of_weight_one_is_the_chart_of_single_values(z):
    """With all the weight on the newest value both charts plot the same, between the same limits."""
    average, single = ewma(z, 1.0, 3.0), shewhart(z, 3.0)
    assert signals(single) == signals(average)
    assert pytest.approx(single.statistic.tolist(), abs=SAME_SUM) == average.statistic.tolist()
    assert pytest.approx(single.upper.tolist(), abs=SAME_SUM) == average.upper.tolist()


@pytest.mark.parametrize("chart", CHARTS.values(), ids=CHARTS)
@THOROUGH
@given(z=SERIES)
@example(z=[3.0, -3.0, 3.5, -4.5])
def test_turning_a_series_over_mirrors_its_signals(chart, z):
    """Negated values signal at the same points on the other side."""
    mirrored = {(index, -side) for index, side in signals(chart([-value for value in z]))}
    assert set(signals(chart(z))) == mirrored


@pytest.mark.parametrize("chart", CHARTS.values(), ids=CHARTS)
@THOROUGH
@given(z=SERIES, by=steps(0, 4, 0.1))
def test_raising_every_point_removes_no_upper_signal(chart, z, by):
    """Raising all points keeps upper signals and adds no lower ones."""
    before, after = signals(chart(z)), signals(chart([value + by for value in z]))
    assert {signal for signal in before if signal[1] > 0} <= set(after)
    assert {signal for signal in after if signal[1] < 0} <= set(before)


@pytest.mark.parametrize("chart", CHARTS.values(), ids=CHARTS)
@THOROUGH
@given(z=SERIES, later=SERIES)
def test_a_later_point_changes_no_earlier_signal(chart, z, later):
    """Further points never change earlier signals."""
    kept = [signal for signal in signals(chart(z + later)) if signal[0] < len(z)]
    assert signals(chart(z)) == kept


@pytest.mark.parametrize(
    "function",
    [
        shewhart,
        ewma,
        cusum,
        partial(run_rules, side=1),
        partial(run_rules, side=0),
        find_change,
        mann_kendall,
        theil_sen,
    ],
)
def test_a_long_series_needs_memory_in_proportion_to_its_length(function):
    """100,000 points use less than 1 kB each, where a table of all pairs would use 800 kB each."""
    z = np.random.default_rng(2).normal(size=100_000)
    function(z[:2000])
    tracemalloc.start()
    try:
        function(z)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 1000 * len(z)
