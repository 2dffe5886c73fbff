"""Signals: consecutive lots signalled by charts on one side, with start, size and end of the change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.drift.change_point import find_change

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.drift.baseline import Baseline
    from lots.domain.drift.self_starting import Charts

# Least gain, in sigma squared, of an ended change over a continuing one: 3 sigma. Common practice, no source.
PLAINLY_BACK = 9.0
# Least departure, as a share of the tolerance, for a list of many series. Common practice, no source.
LEAST_SHARE = 0.1
# Points before the last one of a run of six rising points.
_RISING = 5


@dataclass(frozen=True, slots=True)
class Call:
    """One chart that signalled one lot, by its index: individuals, ewma, cusum, trend or the code of a run rule."""

    chart: str
    index: int


@dataclass(frozen=True, slots=True)
class Signal:
    """Consecutive lots signalled on one side of the baseline: +1 above, -1 below, 0 for a pattern without a side.

    Indices count from 0 within the stretch. `began` is the estimated first changed lot. `size` is in the measure's unit, a height for a step or a
    single lot and per lot for a ramp. `level` is the level before the change, as estimated at the first call. `departure` is the deviation of
    the last changed lot from it. A signal is `active` while a chart signals the latest lot, unless a step that ended before explains the lots
    better than a continuing one, by PLAINLY_BACK.
    """

    side: int
    first: int
    last: int
    active: bool
    calls: tuple[Call, ...]
    kind: str
    began: int
    size: float
    departure: float
    level: float

    def worsens(self, limit: Limit | None) -> bool:
        """Returns whether the lots move towards or further beyond their limit; True without a limit."""
        return limit is None or limit.margin(self.level + self.departure) < limit.margin(self.level) - BINARY_NOISE

    def matters(self, limit: Limit | None) -> bool:
        """Returns whether the departure is at least LEAST_SHARE of the tolerance; True without a limit."""
        return limit is None or abs(self.departure) >= LEAST_SHARE * limit.room() - BINARY_NOISE


def episodes(charts: Charts, baseline: Baseline, side: int) -> list[Signal]:
    """Returns the signals of one side, each with its estimated start.

    Once lots have returned, EWMA and CUSUM restart for this side. Otherwise they would keep signalling lots that are back, and a later change would
    merge with an earlier one. Further lots never change an ended signal.
    """
    found: list[Signal] = []
    fresh, start = charts, 0
    while True:
        called = fresh.called(side)
        runs, back = _until_back(fresh, called, side)
        whole = start + len(fresh.z) == len(charts.z)
        if back is not None or whole:
            found += [_signal(fresh, called, start, baseline, side, run) for run in runs]
        if back is not None:
            start, ahead = start + back, _AHEAD
        elif whole:
            return found
        else:
            ahead *= 4
        # Charting a limited number of lots ahead keeps the computing time linear for a series with many returns.
        fresh = charts.part(start, start + ahead)


# Lots charted at first after a return; any number gives the same signals.
_AHEAD = 256
# First lot after the previous run, first and last lot of a run of signalled lots.
Run = tuple[int, int, int]


def _until_back(charts: Charts, called: Mapping[str, np.ndarray], side: int) -> tuple[list[Run], int | None]:
    """Returns the runs of signalled lots up to the first return, and the index of the first lot after it; None without a return."""
    import numpy as np

    found, after = [], 0
    for first, last in _runs(np.logical_or.reduce(list(called.values()))):
        end = _back_after(charts, side, after, first, last) if side else last
        found.append((after, first, end))
        after = end + 1
        if end < last:
            return found, after
    return found, None


def _back_after(charts: Charts, side: int, after: int, first: int, last: int) -> int:
    """Returns the last changed lot where later signalled lots have returned; `last` where they have not.

    It compares a step that ended with one that continues, both from the start estimated at the first call. The start uses only the first lots,
    so that a later lot never moves it.
    """
    import numpy as np

    if first == last:
        return last
    began = min(_change(charts, side, after, first, first)[0], first)
    total = np.maximum(0.0, (side * (charts.z[began : last + 1] - charts.scores.level[first])).cumsum())
    gain = (total**2 / np.arange(1, len(total) + 1))[first - began :]
    over = (np.maximum.accumulate(gain) > gain + PLAINLY_BACK).nonzero()[0]
    return first + int(gain[: over[0]].argmax()) if len(over) else last


def _change(charts: Charts, side: int, after: int, first: int, end: int) -> tuple[int, str, float, float]:
    """Returns start, kind, size and final departure (in sigma) of the change on one side, from lots up to `end`.

    Departures are from the level estimated at the first signalled lot.
    """
    lots = charts.z[after : end + 1] - charts.scores.level[first]
    change = find_change(lots)
    if change and change.size * side > 0:
        return after + change.index, change.kind, change.size, change.at_end
    # A larger change in the other direction came before. Use the later lots with the largest sum in this direction.
    sums = side * lots[::-1].cumsum()
    most = int(sums.argmax())
    if sums[most] > 0:
        height = side * float(sums[most]) / (most + 1)
        return end - most, "step", height, height
    # Rising lots not yet above the mean, or falling lots not yet below it (rule N3).
    z = charts.z
    base = max(0, first - _RISING) + int((side * z[max(0, first - _RISING) : first + 1]).argmin())
    rise = side * max(side * float(z[end] - z[base]), 2 * BINARY_NOISE)
    return min(base + 1, first), "ramp", rise / max(1, end - base), rise


def _signal(
    charts: Charts, called: Mapping[str, np.ndarray], start: int, baseline: Baseline, side: int, run: Run
) -> Signal:
    """Returns the signal of a run of signalled lots; the first lot of the charts has the index `start` in the stretch."""
    after, first, end = run
    active = end == len(charts.z) - 1
    began, kind, size, departure = _change(charts, side, after, first, end) if side else (first, "pattern", 0.0, 0.0)
    if side and not active and began == end:
        kind = "single"
    # Each chart's earliest call; calls of one lot keep the order of precedence.
    earliest = [(int(marks[first : end + 1].argmax()), name) for name, marks in called.items()]
    calls = [Call(name, start + first + at) for at, name in earliest if called[name][first + at]]
    return Signal(
        side,
        start + first,
        start + end,
        active,
        tuple(sorted(calls, key=lambda call: call.index)),
        kind,
        start + min(began, first),
        size * baseline.sigma,
        departure * baseline.sigma,
        baseline.mean + baseline.sigma * float(charts.scores.level[first]),
    )


def _runs(called: np.ndarray) -> list[tuple[int, int]]:
    """Returns runs of signalled lots as (first, last); a single lot without a signal does not split a run."""
    indices = called.nonzero()[0]
    if not len(indices):
        return []
    parted = (indices[1:] - indices[:-1] > 2).nonzero()[0]
    first, last = [0, *(parted + 1).tolist()], [*parted.tolist(), -1]
    return list(zip(indices[first].tolist(), indices[last].tolist(), strict=True))
