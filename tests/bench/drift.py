"""Drift over 100,000 lots, part by part, beside the same sums in bare NumPy; the trend test at a tenth of them; 1,000 lots of suppliers compared.

The bare sums are the simplest that give the same figures: no checks of their input, no values made of what they find, only arrays and the
places where something lies beyond a limit. EWMA needs each average for the next, so its bare sum is a plain loop; the bare trend
test is scipy's Kendall tau, since all pairs of 100,000 lots do not fit. Three series: a supplier in control, whose charts call a lot now and
then; one that walks, whose charts call nearly every lot, so that making signals costs the most; and one that is off for five lots of every
hundred, so that charts begin anew again and again. How the time of all parts together grows is told from a thousand lots to ten thousand.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from lots.domain import charts, drift, projection, run_rules, suppliers, trend
from lots.domain.capability import capability
from lots.domain.change import find_change
from lots.domain.components import Group, components
from lots.domain.drift import Baseline
from lots.domain.limits import Limit
from lots.domain.suppliers import LotResult

LOTS, FEW, FEWER, ROUNDS = 100_000, 10_000, 1000, 7
BASELINE = Baseline(0.0, 0.05, 20, chosen=True)
LIMIT = Limit(-1.0, 1.0)


def in_control(lots: int, seed: int = 7) -> np.ndarray:
    """b* of lots that scatter about the reference."""
    return np.random.default_rng(seed).normal(0.0, 0.05, lots)


def walking(lots: int, seed: int = 7) -> np.ndarray:
    """The same, with a walk of four standard deviations from the first lot to the last."""
    return in_control(lots, seed) + np.linspace(0.0, 0.2, lots)


def coming_and_going(lots: int, seed: int = 7) -> np.ndarray:
    """The same in control, but for five lots of every hundred, which lie six standard deviations off."""
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


def bare_cusum(z: np.ndarray) -> object:
    """Both one-sided sums, as running totals less their lowest value so far, and where they are beyond five."""
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


def bare_change(z: np.ndarray) -> object:
    """Gain of a step and of a ramp that begins at each lot."""
    changed = np.arange(len(z), 0, -1, dtype=float)
    step = np.cumsum(z[::-1])[::-1]
    ramp = np.cumsum(step[::-1])[::-1]
    squares = changed * (changed + 1) * (2 * changed + 1) / 6
    return (step**2 / changed).argmax(), (ramp**2 / squares).argmax()


def bare_trend(x: np.ndarray) -> object:
    """Kendall's tau against time, as scipy has it."""
    from scipy.stats import kendalltau

    return kendalltau(np.arange(len(x)), x)


def bare_slope(x: np.ndarray) -> object:
    """Slopes between the halves, in order, and their median."""
    half = len(x) // 2
    slopes = np.sort((x[-half:] - x[:half]) / float(len(x) - half))
    return np.median(slopes), slopes[[half // 2 - 500, half // 2 + 500]]


def bare_line(x: np.ndarray) -> object:
    """Least squares, and the scatter about the line."""
    t = np.arange(len(x), dtype=float) - (len(x) - 1) / 2
    slope = (t * x).sum() / (t * t).sum()
    return slope, np.sqrt(((x - x.mean() - slope * t) ** 2).sum() / (len(x) - 2))


def bare_together(rows: np.ndarray) -> object:
    """T2 of every lot's colour."""
    first = rows[: drift.PROVISIONAL_FROM]
    apart = rows - first.mean(axis=0)
    return np.flatnonzero(np.einsum("ij,jk,ik->i", apart, np.linalg.inv(np.cov(first.T)), apart) > 300)


def bare_analysis(x: np.ndarray) -> object:
    """All that an analysis of one measure adds up."""
    z = (x - BASELINE.mean) / BASELINE.sigma
    charted = [bare_individuals(z), bare_ewma(z), bare_cusum(z), bare_rules(z), bare_change(z)]
    return [*charted, bare_trend(x), bare_slope(x), bare_line(x)]


def analysed(x: np.ndarray) -> object:
    """All that is said of one measure."""
    return drift.analyse(x, BASELINE, LIMIT, "")


Pair = tuple[Callable[[], object], Callable[[], object]]


def parts(x: np.ndarray) -> dict[str, Pair]:
    """What is timed on one series: ours, and the bare sums."""
    z = x / BASELINE.sigma
    rows = np.random.default_rng(11).normal(0, 0.05, (len(x), 3))
    return {
        "baseline": (lambda: charts.individuals(x), lambda: bare_baseline(x)),
        "individuals": (lambda: charts.shewhart(z), lambda: bare_individuals(z)),
        "EWMA": (lambda: charts.ewma(z), lambda: bare_ewma(z)),
        "CUSUM": (lambda: charts.cusum(z), lambda: bare_cusum(z)),
        "run rules": (lambda: run_rules.run_rules(z), lambda: bare_rules(z)),
        "change": (lambda: find_change(z), lambda: bare_change(z)),
        "Mann-Kendall": (lambda: trend.mann_kendall(x), lambda: bare_trend(x)),
        "Theil-Sen": (lambda: trend.theil_sen(x), lambda: bare_slope(x)),
        "line": (lambda: projection.project(x.tolist(), 1, LIMIT, ""), lambda: bare_line(x)),
        "T2": (lambda: drift.together(rows, None), lambda: bare_together(rows)),
        "all together": (lambda: analysed(x), lambda: bare_analysis(x)),
    }


# 1,000 lots of four suppliers


def purchases(lots: int = 1000, seed: int = 5) -> dict[int, list[tuple[LotResult, list[Group]]]]:
    """Lots of four suppliers in two grades: accepted or not, a colour, and three spools' figures in seven measures."""
    dice = np.random.default_rng(seed)
    made: dict[int, list[tuple[LotResult, list[Group]]]] = {number: [] for number in range(4)}
    for number in range(lots):
        apart = tuple(dice.normal(0, 0.2, 3).tolist())
        accepted = bool(dice.random() < 0.9)
        result = LotResult(accepted, f"grade {number % 2}", "SPEC-1", apart, float(np.hypot(*apart[:2])))
        spools = dice.normal(1.75, 0.01, (7, 3))
        groups = [Group(3, float(row.mean()), float(((row - row.mean()) ** 2).sum())) for row in spools]
        made[number % 4].append((result, groups))
    return made


def compare_all(made: dict[int, list[tuple[LotResult, list[Group]]]]) -> object:
    """What a comparison reckons: every pair on every criterion, then components and capability of each supplier's measures."""
    found: list[Any] = [suppliers.compare({number: [result for result, _ in lots] for number, lots in made.items()})]
    for lots in made.values():
        for measure in range(7):
            seen = components([groups[measure] for _, groups in lots])
            if seen.total and seen.total_df and seen.mean_variance:
                sigma, effective = seen.total**0.5, seen.total / seen.mean_variance
                found.append(capability(seen.grand_mean, sigma, seen.total_df, effective, 1.72, 1.78))
    return found


def _timed(action: Callable[[], object]) -> float:
    """Processor time in seconds: what else runs on the machine counts little."""
    began = time.process_time()
    action()
    return time.process_time() - began


def _alternated(one: Callable[[], object], other: Callable[[], object]) -> tuple[list[float], list[float]]:
    """Times of both, a round of the one after a round of the other, the first of each left out."""
    times = [(_timed(one), _timed(other)) for _ in range(ROUNDS + 1)][1:]
    return [a for a, _ in times], [b for _, b in times]


def _row(name: str, ours: list[float], bare: list[float]) -> str:
    a, b = statistics.median(ours), statistics.median(bare)
    spread = "{:9.2f} ({:.2f}-{:.2f})"
    mine, theirs = (spread.format(1e3 * m, 1e3 * min(t), 1e3 * max(t)).ljust(30) for m, t in ((a, ours), (b, bare)))
    return f"{name:<14}{mine}{theirs}{a / b:6.2f}\n"


def _growth(action: Callable[[np.ndarray], object], few: np.ndarray, many: np.ndarray) -> float:
    short, long = _alternated(lambda: action(few), lambda: action(many))
    return statistics.median(long) / statistics.median(short)


def run() -> None:
    """Prints processor times in milliseconds and ratios: medians of alternated rounds, with the shortest and the longest."""
    for what, series in (("in control", in_control), ("walking", walking)):
        rows = parts(series(LOTS))
        if series is walking:
            rows["all together"] = parts(series(FEW))["all together"]
        sys.stdout.write(f"{LOTS} lots, {what}\n{'':<14}{'ours ms':<30}{'bare ms':<30}{'ratio':>6}\n")
        for name, (ours, bare) in rows.items():
            sys.stdout.write(_row(name, *_alternated(ours, bare)))
    sys.stdout.write(f"(of the walk all together over {FEW} lots)\n")
    growth = _growth(trend.mann_kendall, in_control(FEW), in_control(LOTS))
    sys.stdout.write(f"Mann-Kendall, {LOTS} lots over {FEW}: {growth:.1f} times as long\n")
    for series in (in_control, walking, coming_and_going):
        growth = _growth(analysed, series(FEWER), series(FEW))
        name = series.__name__.replace("_", " ")
        sys.stdout.write(f"all together, {name}, {FEW} lots over {FEWER}: {growth:.1f} times as long\n")
    made = purchases()
    times = [_timed(lambda: compare_all(made)) for _ in range(ROUNDS + 1)][1:]
    sys.stdout.write(
        f"1000 lots of four suppliers compared: {1e3 * statistics.median(times):.1f} ms "
        f"({1e3 * min(times):.1f}-{1e3 * max(times):.1f})\n"
    )
