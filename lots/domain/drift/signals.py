"""Signals: consecutive lots that charts call on one side, since which lot, how far, and whether it goes on."""

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

# A change that ended must explain its lots better than one that goes on by this much, in sigma squared: 3 sigma. Common practice, no source.
PLAINLY_BACK = 9.0
# Of the room that a limit leaves, a smaller share than this is no matter for a list of many series. Common practice, no source.
LEAST_SHARE = 0.1
# Points that lie before the one which completes a rise of six.
_RISING = 5


@dataclass(frozen=True, slots=True)
class Call:
    """One chart that called one lot, by its index: individuals, ewma, cusum, trend or the code of a run rule."""

    chart: str
    index: int


@dataclass(frozen=True, slots=True)
class Signal:
    """Consecutive lots that charts called on one side of the baseline: +1 above, -1 below, 0 for an odd pattern.

    Indices count from 0 within the stretch. `began` is where the change most likely began; `size` is in the measure's unit, a height for
    a step or a single lot and per lot for a ramp. `level` is where the lots lay before, as known at the first call, and `departure` how far
    the last lot of the change is from there. A signal is `active` while a chart calls the latest lot, unless lots came plainly back before:
    a step that ended explains them better than one that goes on, by PLAINLY_BACK.
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
        """Whether the lots come nearer to their limit, or leave it further behind; True without a limit, which tells no better from worse."""
        return limit is None or limit.margin(self.level + self.departure) < limit.margin(self.level) - BINARY_NOISE

    def matters(self, limit: Limit | None) -> bool:
        """Whether the departure is a LEAST_SHARE of the limit's room or more; True without a limit."""
        return limit is None or abs(self.departure) >= LEAST_SHARE * limit.room() - BINARY_NOISE


def episodes(charts: Charts, baseline: Baseline, side: int) -> list[Signal]:
    """Runs of lots called on one side, each with when its change began.

    Once lots are plainly back, charts that remember begin anew for this side: else they would go on calling lots that are as before, and a
    later change could not be told from an earlier one. What lots of one side have shown stays as it was when more lots come.
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
        # Charting only some lots ahead, more where these show no return, keeps a series that comes and goes linear in its lots.
        fresh = charts.part(start, start + ahead)


# Lots that are charted at first after a return; any number gives the same signals.
_AHEAD = 256
# The first lot after the run before, the first and the last lot of a run of called lots.
Run = tuple[int, int, int]


def _until_back(charts: Charts, called: Mapping[str, np.ndarray], side: int) -> tuple[list[Run], int | None]:
    """Runs of called lots up to the first from which lots came plainly back, and the index of the first lot after it; None where none did."""
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
    """The last lot that was off, where the called lots after it are plainly back; `last` where they are not.

    Both are steps from where the change began when it was called: one that ended, one that goes on. Of each beginning with the first
    lots that show it, so that a later lot never moves it.
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
    """Where the change on one side began that lots up to `end` show, its kind, its size and the departure at the end, in sigma.

    Lots are taken from the mean that the first called one was judged by.
    """
    lots = charts.z[after : end + 1] - charts.scores.level[first]
    change = find_change(lots)
    if change and change.size * side > 0:
        return after + change.index, change.kind, change.size, change.at_end
    # A larger change the other way came before: take the lots since then, whose sum goes furthest this way.
    sums = side * lots[::-1].cumsum()
    most = int(sums.argmax())
    if sums[most] > 0:
        height = side * float(sums[most]) / (most + 1)
        return end - most, "step", height, height
    # Lots that rise, though not yet above the mean, or fall, though not yet below it (rule N3).
    z = charts.z
    base = max(0, first - _RISING) + int((side * z[max(0, first - _RISING) : first + 1]).argmin())
    rise = side * max(side * float(z[end] - z[base]), 2 * BINARY_NOISE)
    return min(base + 1, first), "ramp", rise / max(1, end - base), rise


def _signal(
    charts: Charts, called: Mapping[str, np.ndarray], start: int, baseline: Baseline, side: int, run: Run
) -> Signal:
    """The signal of a run of called lots within charts, whose first lot has the index `start` in the stretch."""
    after, first, end = run
    active = end == len(charts.z) - 1
    began, kind, size, departure = _change(charts, side, after, first, end) if side else (first, "pattern", 0.0, 0.0)
    if side and not active and began == end:
        kind = "single"
    # Each chart's earliest call; charts that called one lot stay in the order in which they are told.
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
    """Runs of called lots as (first, last); one lot in between that no chart called does not part them."""
    indices = called.nonzero()[0]
    if not len(indices):
        return []
    parted = (indices[1:] - indices[:-1] > 2).nonzero()[0]
    first, last = [0, *(parted + 1).tolist()], [*parted.tolist(), -1]
    return list(zip(indices[first].tolist(), indices[last].tolist(), strict=True))
