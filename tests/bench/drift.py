"""Drift over 100,000 lots by part, compared with the same sums in bare NumPy, and its growth from 10,000 lots on.

The bare sums are the simplest with the same figures: no checks, no value objects, only arrays and the places beyond a limit.
EWMA needs each average for the next, so its bare sum is a loop, and run rules examine every window; both also have the fastest form
known to us. The bare trend test is scipy's Kendall tau, because all pairs of 100,000 lots do not fit in memory. Only the program finds
the start of each change and restarts charts after one.
Three series: a supplier in control with rare signals; a ramp with signals at nearly every lot; and one that deviates for five lots of
every hundred, so that charts restart a thousand times.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from lots.domain.conformity.limits import Limit
from lots.domain.drift import control_charts, projection, run_rules, trend
from lots.domain.drift.baseline import Baseline
from lots.domain.drift.change_point import find_change
from lots.domain.drift.color_together import color_baseline, together
from lots.domain.drift.drift_analysis import analyse

LOTS, FEW, ROUNDS = 100_000, 10_000, 7
BASELINE = Baseline(0.0, 0.05, 20, chosen=True)
LIMIT = Limit(-1.0, 1.0)
Sum = Callable[[np.ndarray], object]
# Lots whose colours are the baseline of T2, and the limit of T2 from as many.
FIRST, MOST = 1000, 14.3


def in_control(lots: int, seed: int = 7) -> np.ndarray:
    """b* of lots with normal spread about the reference."""
    return np.random.default_rng(seed).normal(0.0, 0.05, lots)


def walking(lots: int, seed: int = 7) -> np.ndarray:
    """The same, with a walk of four standard deviations from the first lot to the last."""
    return in_control(lots, seed) + np.linspace(0.0, 0.2, lots)


def coming_and_going(lots: int, seed: int = 7) -> np.ndarray:
    """The same in control, except for five lots of every hundred, six standard deviations off."""
    return in_control(lots, seed) + 0.3 * (np.arange(lots) % 100 < 5)


# The same sums in bare NumPy


def bare_baseline(x: np.ndarray) -> object:
    """Mean, and standard deviation from the mean moving range."""
    return x.mean(), np.abs(np.diff(x)).mean() / 1.128


def bare_individuals(z: np.ndarray) -> object:
    """Lots beyond three sigma."""
    return np.flatnonzero(z > 3), np.flatnonzero(z < -3)


def bare_ewma(z: np.ndarray) -> object:
    """The moving average in a plain loop, and where it lies beyond its exact limits."""
    average, averages = 0.0, []
    for value in z.tolist():
        average += 0.2 * (value - average)
        averages.append(average)
    found = np.array(averages)
    limits = 2.7 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2.0 * np.arange(1, len(z) + 1))))
    return np.flatnonzero(found > limits), np.flatnonzero(found < -limits)


def fast_ewma(z: np.ndarray) -> object:
    """The same with doubled sums at each step, and limits by running products."""
    found, kept, reach = 0.2 * z, 0.8, 1
    while reach < len(z) and kept > 0:
        found[reach:] += kept * found[:-reach]
        kept, reach = kept * kept, 2 * reach
    limits = 2.7 * np.sqrt(0.2 / 1.8 * (1 - np.full(len(z), 0.64).cumprod()))
    return np.flatnonzero(found > limits), np.flatnonzero(found < -limits)


def bare_cusum(z: np.ndarray) -> object:
    """Both one-sided sums, as running totals less their minimum so far, and where they exceed five."""
    found = []
    for side in (1, -1):
        total = np.cumsum(side * z - 0.5)
        found.append(np.flatnonzero(total - np.minimum(np.minimum.accumulate(total), 0.0) > 5))
    return found


def bare_rules(z: np.ndarray) -> object:
    """Every run rule by counting in windows."""
    found = []
    for side in (1, -1):
        y = side * z
        rising = np.diff(y) > 0
        found += [
            np.flatnonzero(y > 3),
            np.flatnonzero(sliding_window_view(y > 0, 9).all(axis=1)),
            np.flatnonzero(sliding_window_view(rising, 5).all(axis=1)),
            np.flatnonzero((sliding_window_view(y > 2, 3).sum(axis=1) >= 2) & (y[2:] > 2)),
            np.flatnonzero((sliding_window_view(y > 1, 5).sum(axis=1) >= 4) & (y[4:] > 1)),
            np.flatnonzero(sliding_window_view(y > 0, 8).all(axis=1)),
        ]
    ways = np.sign(np.diff(z))
    outside = sliding_window_view(np.abs(z) > 1, 8).all(axis=1)
    both = sliding_window_view(z > 1, 8).any(axis=1) & sliding_window_view(z < -1, 8).any(axis=1)
    found += [
        np.flatnonzero(sliding_window_view(ways[1:] * ways[:-1] < 0, 12).all(axis=1)),
        np.flatnonzero(sliding_window_view(np.abs(z) < 1, 15).all(axis=1)),
        np.flatnonzero(outside & both),
    ]
    return found


def _seen(flags: np.ndarray, lots: int) -> np.ndarray:
    """How many flags are set in each window of so many lots."""
    total = np.concatenate([[0], np.cumsum(flags)])
    return total[lots:] - total[:-lots]


def fast_rules(z: np.ndarray) -> object:
    """The same with windows counted by running totals."""
    found = []
    for side in (1, -1):
        y = side * z
        found += [
            np.flatnonzero(y > 3),
            np.flatnonzero(_seen(y > 0, 9) == 9),
            np.flatnonzero(_seen(np.diff(y) > 0, 5) == 5),
            np.flatnonzero((_seen(y > 2, 3) >= 2) & (y[2:] > 2)),
            np.flatnonzero((_seen(y > 1, 5) >= 4) & (y[4:] > 1)),
            np.flatnonzero(_seen(y > 0, 8) == 8),
        ]
    ways = np.sign(np.diff(z))
    above, below = _seen(z > 1, 8), _seen(z < -1, 8)
    found += [
        np.flatnonzero(_seen(ways[1:] * ways[:-1] < 0, 12) == 12),
        np.flatnonzero(_seen(np.abs(z) < 1, 15) == 15),
        np.flatnonzero((above + below == 8) & (above > 0) & (below > 0)),
    ]
    return found


def bare_change(z: np.ndarray) -> object:
    """Gain of a step and of a ramp that begins at each lot."""
    changed = np.arange(len(z), 0, -1, dtype=float)
    step = np.cumsum(z[::-1])[::-1]
    ramp = np.cumsum(step[::-1])[::-1]
    squares = changed * (changed + 1) * (2 * changed + 1) / 6
    return (step**2 / changed).argmax(), (ramp**2 / squares).argmax()


def bare_trend(x: np.ndarray) -> object:
    """Kendall's tau against time by scipy."""
    from scipy.stats import kendalltau

    return kendalltau(np.arange(len(x)), x)


def bare_slope(x: np.ndarray) -> object:
    """Slopes between the halves, in order, and their median."""
    half = len(x) // 2
    slopes = np.sort((x[-half:] - x[:half]) / float(len(x) - half))
    return np.median(slopes), slopes[[half // 2 - 500, half // 2 + 500]]


def bare_line(x: np.ndarray) -> object:
    """Least squares, and the spread about the line."""
    t = np.arange(len(x), dtype=float) - (len(x) - 1) / 2
    slope = (t * x).sum() / (t * t).sum()
    return slope, np.sqrt(((x - x.mean() - slope * t) ** 2).sum() / (len(x) - 2))


def bare_together(rows: np.ndarray) -> object:
    """T2 of every lot's colour."""
    apart = rows - rows[:FIRST].mean(axis=0)
    return np.flatnonzero(np.einsum("ij,jk,ik->i", apart, np.linalg.inv(np.cov(rows[:FIRST].T)), apart) > MOST)


def bare_analysis(x: np.ndarray, average: Sum = bare_ewma, rules: Sum = bare_rules) -> object:
    """All sums of an analysis of one measure."""
    z = (x - BASELINE.mean) / BASELINE.sigma
    charted = [bare_individuals(z), average(z), bare_cusum(z), rules(z), bare_change(z)]
    return [*charted, bare_trend(x), bare_slope(x), bare_line(x)]


def parts(x: np.ndarray) -> dict[str, tuple[Callable[[], object], ...]]:
    """The timed parts on one series: ours, the bare sums, and faster ones where there are any."""
    z = x / BASELINE.sigma
    rows = np.column_stack([np.random.default_rng(11).normal(0, 0.05, (len(x), 2)), x])
    base = color_baseline(rows[:FIRST].tolist(), chosen=True)
    return {
        "baseline": (lambda: control_charts.individuals(x), lambda: bare_baseline(x)),
        "individuals": (lambda: _beyond(control_charts.shewhart(z)), lambda: bare_individuals(z)),
        "EWMA": (lambda: _beyond(control_charts.ewma(z)), lambda: bare_ewma(z), lambda: fast_ewma(z)),
        "CUSUM": (lambda: _beyond(control_charts.cusum(z)), lambda: bare_cusum(z)),
        "run rules": (
            lambda: [run_rules.run_rules(z, side) for side in (1, -1, 0)],
            lambda: bare_rules(z),
            lambda: fast_rules(z),
        ),
        "change": (lambda: find_change(z), lambda: bare_change(z)),
        "Mann-Kendall": (lambda: trend.mann_kendall(x), lambda: bare_trend(x)),
        "Theil-Sen": (lambda: trend.theil_sen(x), lambda: bare_slope(x)),
        "line": (lambda: projection.project(x, 1, LIMIT, ""), lambda: bare_line(x)),
        "T2": (lambda: list(together(rows, base).signals), lambda: bare_together(rows)),
        "all but T2": (
            lambda: analyse(x, BASELINE, LIMIT, "", rules=True).slope,
            lambda: bare_analysis(x),
            lambda: bare_analysis(x, fast_ewma, fast_rules),
        ),
    }


def _beyond(chart: control_charts.Chart | control_charts.CusumChart) -> object:
    """The points of a chart that signal, on either side."""
    return chart.above, chart.below


def _timed(action: Callable[[], object]) -> float:
    """Processor time in seconds."""
    began = time.process_time()
    action()
    return time.process_time() - began


def _alternated(*actions: Callable[[], object]) -> list[list[float]]:
    """Times of each, one round after the other, the first left out."""
    rounds = [[_timed(action) for action in actions] for _ in range(ROUNDS + 1)][1:]
    return [list(times) for times in zip(*rounds, strict=True)]


def _cell(times: list[float]) -> str:
    return f"{1e3 * statistics.median(times):9.2f} ({1e3 * min(times):.2f}-{1e3 * max(times):.2f})".ljust(28)


def run() -> None:
    """Prints processor times in milliseconds, medians of alternated rounds with the shortest and the longest, and ratios of the medians."""
    for series in (in_control, walking, coming_and_going):
        many, few = parts(series(LOTS)), parts(series(FEW))
        signals = len(analyse(series(LOTS), BASELINE, LIMIT, "", rules=True).signals)
        sys.stdout.write(f"{LOTS} lots, {series.__name__.replace('_', ' ')}, {signals} signals told\n")
        sys.stdout.write(f"{'':<14}{'ours ms':<28}{'bare ms':<28}{'x bare':>8}{'x fast':>8}{f'x {FEW} lots':>14}\n")
        for name, actions in many.items():
            short, mine, *theirs = _alternated(few[name][0], *actions)
            growth, *ratios = (statistics.median(mine) / statistics.median(each) for each in (short, *theirs))
            ratio = "".join(f"{one:8.2f}" for one in ratios).ljust(16)
            sys.stdout.write(f"{name:<14}{_cell(mine)}{_cell(theirs[0])}{ratio}{growth:14.1f}\n")
