"""How one measure moves over a supplier's consecutive lots of a grade: against a frozen baseline, in charts that remember."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.drift.change_point import find_change
from lots.domain.drift.control_charts import Chart, CusumChart, cusum, ewma, individuals, shewhart
from lots.domain.drift.hotelling import contributions, covariance, phase2_limit, t_squared
from lots.domain.drift.projection import LEAST_LOTS, Projection, project
from lots.domain.drift.run_rules import run_rules
from lots.domain.drift.trend import MannKendall, TheilSen, mann_kendall, theil_sen

if TYPE_CHECKING:
    import numpy as np

# Lots that a baseline needs to be used at all, and to be firm. Common practice, no source.
PROVISIONAL_FROM, FIRM_FROM = 8, 20
# Weight and width of the EWMA, reference value and decision interval of the CUSUM. Common practice for the first pair; Montgomery,
# Introduction to Statistical Quality Control, 9.1, for the second (from memory).
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 2.7
CUSUM_REFERENCE, CUSUM_INTERVAL = 0.5, 5.0
# False alarms of T2 as rare as those of three sigma; a trend is called at this level of the Mann-Kendall test.
T2_ALPHA, TREND_ALPHA = 0.0027, 0.01
# A change that ended must explain its lots better than one that goes on by this much, in sigma squared: 3 sigma.
PLAINLY_BACK = 9.0
# Points that lie before the one which completes a rise of six.
_RISING = 5


@dataclass(frozen=True, slots=True)
class Baseline:
    """What lots are charted against: mean and standard deviation of a lot, in the measure's unit, from `n` lots (0: given, not measured).

    `chosen` is False for the first lots of a series, which stand in until somebody chooses; `steady` is False when those lots drift
    themselves, so that what is measured from their mean is too little.
    """

    mean: float
    sigma: float
    n: int
    chosen: bool
    steady: bool = True

    @property
    def status(self) -> str:
        """given, provisional or firm."""
        if self.n == 0:
            return "given"
        return "firm" if self.chosen and self.n >= FIRM_FROM else "provisional"


def baseline_from(values: Sequence[float], *, chosen: bool) -> Baseline | None:
    """Returns a baseline from its lots' values; None for fewer than PROVISIONAL_FROM, or when they differ by no more than arithmetic does.

    Notes:
        The standard deviation comes from the moving range, which a slow walk within the baseline inflates little: the ordinary one
        would grow with the walk and hide it.

    Reference:
        ISO 7870-2, control charts for individuals (from memory); NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    if len(values) < PROVISIONAL_FROM:
        return None
    found = individuals(values)
    if found.sigma <= BINARY_NOISE:
        return None
    return Baseline(found.centre, found.sigma, len(values), chosen, mann_kendall(values).p >= TREND_ALPHA)


@dataclass(frozen=True, slots=True)
class Charts:
    """One measure of a stretch of lots in units of its baseline's standard deviation, on every chart."""

    z: np.ndarray
    individuals: Chart
    ewma: Chart
    cusum: CusumChart

    def called(self, side: int) -> dict[str, np.ndarray]:
        """Which lots each chart and run rule called on one side, 0 for an odd pattern, in the order in which they are told."""
        charts: dict[str, Chart | CusumChart] = {}
        if side:
            charts = {"individuals": self.individuals, "ewma": self.ewma, "cusum": self.cusum}
        calls = {name: chart.above if side > 0 else chart.below for name, chart in charts.items()}
        # N1 is the individuals chart under another name.
        return calls | {rule: marks for rule, marks in run_rules(self.z, side).items() if rule != "N1"}


@dataclass(frozen=True, slots=True)
class Call:
    """One chart that called one lot, by its index: individuals, ewma, cusum, trend or the code of a run rule."""

    chart: str
    index: int


@dataclass(frozen=True, slots=True)
class Signal:
    """Consecutive lots that charts called on one side of the baseline: +1 above, -1 below, 0 for an odd pattern.

    Indices count from 0 within the stretch. `began` is where the change most likely began; `size` is in the measure's unit, a height for
    a step or a single lot and per lot for a ramp. `active` says that it goes on: the latest lot is still called, and not by memory alone.
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


@dataclass(frozen=True, slots=True)
class Analysis:
    """What can be said of one measure over one stretch of lots read alike. Parts are None where there is too little to say them."""

    values: np.ndarray
    baseline: Baseline | None
    charts: Charts | None
    signals: tuple[Signal, ...]
    trend: MannKendall | None
    projection: Projection | None

    @property
    def slope(self) -> TheilSen | None:
        """The slope of the whole stretch, worked out whenever it is asked for: where no trend is told, few ask."""
        return None if self.trend is None else theil_sen(self.values)


def analyse(
    values: Sequence[float], baseline: Baseline | None, limit: Limit | None, unit: str, first: int = 1
) -> Analysis:
    """Returns the analysis of one measure over one stretch.

    Args:
        values: one per lot, in the order the lots came, all read alike: same reference, same instruments.
        baseline: what to chart against; None to use the first PROVISIONAL_FROM lots of the stretch, once there are as many.
        limit: what each lot must keep to, for the projection.
        unit: of the values.
        first: the number of the first lot in its series, for the projection.

    Notes:
        Without a baseline nothing is charted, but a trend is still looked for. With several charts at once false alarms add up: each
        alone calls one lot in some hundreds by chance (tests/domain/drift/test_run_lengths.py).
    """
    import numpy as np

    x = np.asarray(values, dtype=float)
    if baseline is None:
        baseline = baseline_from(x[:PROVISIONAL_FROM].tolist(), chosen=False)
    trend = mann_kendall(x) if len(x) >= 3 else None
    charts = None if baseline is None or not len(x) else _charts((x - baseline.mean) / baseline.sigma)
    signals = _signals(x, charts, baseline, trend)
    return Analysis(x, baseline, charts, signals, trend, _projection(x, signals, trend, limit, unit, first))


def _charts(z: np.ndarray) -> Charts:
    return Charts(z, shewhart(z), ewma(z, EWMA_WEIGHT, EWMA_WIDTH), cusum(z, CUSUM_REFERENCE, CUSUM_INTERVAL))


def _signals(
    x: np.ndarray, charts: Charts | None, baseline: Baseline | None, trend: MannKendall | None
) -> tuple[Signal, ...]:
    found: list[Signal] = []
    if charts is not None and baseline is not None:
        for side in (1, -1, 0):
            found += _episodes(charts, baseline, side)
    last = len(x) - 1
    slope = theil_sen(x).slope if trend is not None and trend.p < TREND_ALPHA else 0.0
    if slope == 0:
        return _in_order(found)
    side = 1 if slope > 0 else -1
    whole = Signal(side, last, last, True, (Call("trend", last),), "ramp", 0, slope, slope * last)
    told = next((s for s in found if s.side == side and s.active), None)
    if baseline is not None and not baseline.steady and not baseline.chosen:
        # Lots that stand in and drift themselves lie on both sides of their own mean: what the charts make of that is the trend.
        first, calls = (told.first, (*told.calls, *whole.calls)) if told else (last, whole.calls)
        kept = [s for s in found if s.first >= PROVISIONAL_FROM and s is not told]
        return _in_order([*kept, replace(whole, first=first, calls=calls)])
    if told is None:
        return _in_order([*found, whole])
    return _in_order([replace(s, calls=(*s.calls, *whole.calls)) if s is told else s for s in found])


def _in_order(signals: Sequence[Signal]) -> tuple[Signal, ...]:
    return tuple(sorted(signals, key=lambda s: (s.first, -abs(s.side))))


def _episodes(charts: Charts, baseline: Baseline, side: int) -> list[Signal]:
    """Runs of lots called on one side, each with when its change began.

    Once lots are plainly back, charts that remember begin anew for this side: else they would go on calling lots that are as before, and a
    later change could not be told from an earlier one. What lots of one side have shown stays as it was when more lots come.
    """
    found: list[Signal] = []
    fresh, start = charts, 0
    while True:
        called = fresh.called(side)
        runs, back = _until_back(fresh.z, called, side)
        whole = start + len(fresh.z) == len(charts.z)
        if back is not None or whole:
            found += [_signal(fresh.z, called, start, baseline, side, run) for run in runs]
        if back is not None:
            start, ahead = start + back, _AHEAD
        elif whole:
            return found
        else:
            ahead *= 4
        # Charting only some lots ahead, more where these show no return, keeps a series that comes and goes linear in its lots.
        fresh = _charts(charts.z[start : start + ahead])


# Lots that are charted at first after a return; any number gives the same signals.
_AHEAD = 256
# The first lot after the run before, the first and the last lot of a run of called lots.
Run = tuple[int, int, int]


def _until_back(z: np.ndarray, called: Mapping[str, np.ndarray], side: int) -> tuple[list[Run], int | None]:
    """Runs of called lots up to the first from which lots came plainly back, and the index of the first lot after it; None where none did."""
    import numpy as np

    found, after = [], 0
    for first, last in _runs(np.logical_or.reduce(list(called.values()))):
        end = _back_after(z, side, after, first, last) if side else last
        found.append((after, first, end))
        after = end + 1
        if end < last:
            return found, after
    return found, None


def _back_after(z: np.ndarray, side: int, after: int, first: int, last: int) -> int:
    """The last lot that was off, where the called lots after it are plainly back; `last` where they are not.

    Both are steps from where the change began when it was called: one that ended, one that goes on. Of each beginning with the first
    lots that show it, so that a later lot never moves it.
    """
    import numpy as np

    if first == last:
        return last
    began = min(_change(z, side, after, first, first)[0], first)
    total = np.maximum(0.0, (side * z[began : last + 1]).cumsum())
    gain = (total**2 / np.arange(1, len(total) + 1))[first - began :]
    over = (np.maximum.accumulate(gain) > gain + PLAINLY_BACK).nonzero()[0]
    return first + int(gain[: over[0]].argmax()) if len(over) else last


def _change(z: np.ndarray, side: int, after: int, first: int, end: int) -> tuple[int, str, float, float]:
    """Where the change on one side began that lots up to `end` show, its kind, its size and the departure at the end, in sigma."""
    change = find_change(z[after : end + 1])
    if change and change.size * side > 0:
        return after + change.index, change.kind, change.size, change.at_end
    # A larger change the other way came before: take the lots since then, whose sum goes furthest this way.
    sums = side * z[after : end + 1][::-1].cumsum()
    most = int(sums.argmax())
    if sums[most] > 0:
        height = side * float(sums[most]) / (most + 1)
        return end - most, "step", height, height
    # Lots that rise, though not yet above the mean, or fall, though not yet below it (rule N3).
    base = max(0, first - _RISING) + int((side * z[max(0, first - _RISING) : first + 1]).argmin())
    rise = float(z[end] - z[base])
    return min(base + 1, first), "ramp", rise / max(1, end - base), rise


def _signal(
    z: np.ndarray, called: Mapping[str, np.ndarray], start: int, baseline: Baseline, side: int, run: Run
) -> Signal:
    """The signal of a run of called lots within `z`, whose first lot has the index `start` in the stretch."""
    after, first, end = run
    active = end == len(z) - 1
    began, kind, size, departure = _change(z, side, after, first, end) if side else (first, "pattern", 0.0, 0.0)
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
    )


def _runs(called: np.ndarray) -> list[tuple[int, int]]:
    """Runs of called lots as (first, last); one lot in between that no chart called does not part them."""
    indices = called.nonzero()[0]
    if not len(indices):
        return []
    parted = (indices[1:] - indices[:-1] > 2).nonzero()[0]
    first, last = [0, *(parted + 1).tolist()], [*parted.tolist(), -1]
    return list(zip(indices[first].tolist(), indices[last].tolist(), strict=True))


def _projection(
    x: np.ndarray, signals: Sequence[Signal], trend: MannKendall | None, limit: Limit | None, unit: str, first: int
) -> Projection | None:
    """A line through the lots since the change began, where that is a ramp that goes on; else through all, where they show a trend."""
    moving = [s for s in signals if s.active and s.kind == "ramp"]
    start = max((s.began for s in moving), default=None)
    if start is None and trend is not None and trend.p < TREND_ALPHA and not any(s.active for s in signals):
        start = 0
    if start is None:
        return None
    start = min(start, max(0, len(x) - LEAST_LOTS))
    return project(x[start:], first + start, limit, unit)


@dataclass(frozen=True, slots=True)
class ColorBaseline:
    """Mean and covariance of a lot's (dL*, da*, db*) over `n` baseline lots."""

    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    n: int
    chosen: bool


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """Hotelling's T2 of each lot's colour, its limit, the lots `beyond` it, and what each coordinate adds to those, dL* da* db* in rows."""

    statistic: np.ndarray
    limit: float
    beyond: np.ndarray
    parts: np.ndarray
    n: int

    @property
    def signals(self) -> Iterator[tuple[int, list[float]]]:
        """Each lot beyond the limit with its parts, in order."""
        return zip(self.beyond.tolist(), self.parts.tolist(), strict=True)


def color_baseline(rows: Sequence[Sequence[float]], *, chosen: bool) -> ColorBaseline | None:
    """Returns the baseline of colour as a whole; None for fewer than PROVISIONAL_FROM lots."""
    import numpy as np

    if len(rows) < PROVISIONAL_FROM:
        return None
    table = np.asarray(rows, dtype=float)
    return ColorBaseline(
        tuple(table.mean(axis=0).tolist()), tuple(map(tuple, covariance(table).tolist())), len(rows), chosen
    )


def together(rows: Sequence[Sequence[float]], baseline: ColorBaseline | None) -> Together | None:
    """Returns T2 of a stretch of lots: it sees a colour that is unusual as a whole though no coordinate is by itself.

    Args:
        rows: dL*, da*, db* per lot.
        baseline: None to use the first PROVISIONAL_FROM lots, once there are as many.

    Returns:
        None without a baseline, or with one whose colours lie in a plane so that nothing can be said across it.

    Reference:
        Montgomery, Introduction to Statistical Quality Control, 11.3 (from memory); ISO 7870-7; contributions: Runger, Alt and
        Montgomery 1996.
    """
    import numpy as np

    table = np.asarray(rows, dtype=float)
    if baseline is None:
        baseline = color_baseline(table[:PROVISIONAL_FROM].tolist(), chosen=False)
    if baseline is None:
        return None
    mean, matrix = np.asarray(baseline.mean), np.asarray(baseline.covariance)
    try:
        statistic = t_squared(table, mean, matrix)
    except ValueError:
        return None
    most = phase2_limit(baseline.n, table.shape[1], T2_ALPHA)
    beyond = (statistic > most).nonzero()[0]
    return Together(statistic, most, beyond, contributions(table[beyond], mean, matrix), baseline.n)
