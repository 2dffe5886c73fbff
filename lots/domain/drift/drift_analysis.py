"""Drift analysis of one measure over a supplier's consecutive lots of a grade: charts against a frozen baseline, trend and projection."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import Limit
from lots.domain.drift.baseline import PROVISIONAL_FROM, Baseline, baseline_from
from lots.domain.drift.projection import LEAST_LOTS, Projection, project
from lots.domain.drift.reported import p_value
from lots.domain.drift.self_starting import Charts, chart_lots, scores
from lots.domain.drift.signals import Call, Signal, episodes
from lots.domain.drift.trend import TREND_ALPHA, MannKendall, TheilSen, mann_kendall, theil_sen

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.drift.control_charts import Series


@dataclass(frozen=True, slots=True)
class Analysis:
    """Drift analysis of one measure over one stretch of lots measured alike. Parts are None with too few lots.

    `p` is that of `p_value`.
    """

    values: np.ndarray
    baseline: Baseline | None
    charts: Charts | None
    signals: tuple[Signal, ...]
    trend: MannKendall | None
    projection: Projection | None
    p: float | None

    @property
    def slope(self) -> TheilSen | None:
        """The slope of the whole stretch, computed on demand, because few callers use it without a trend."""
        return None if self.trend is None else theil_sen(self.values)


def analyse(
    values: Series,
    baseline: Baseline | None,
    limit: Limit | None,
    unit: str,
    first: int = 1,
    *,
    rules: bool = False,
) -> Analysis:
    """Returns the drift analysis of one measure over one stretch.

    Args:
        values: one per lot, in order of receipt, all measured alike: same reference, same instruments.
        baseline: baseline of the charts; None to use the first PROVISIONAL_FROM lots of the stretch, once available.
        limit: limit of each lot, for the projection.
        unit: of the values.
        first: the number of the first lot in its series, for the projection.
        rules: apply run rules too. They add little to EWMA and CUSUM, and raise the false alarm rate.

    Notes:
        Without a baseline there are no charts, but still a trend test. Of steady series, normal and independent, at most one in twenty has an
        active signal at its 20th lot, with a given, chosen (8 lots or more) or provisional baseline. More had one at some time, since false
        alarms of charts and lots accumulate (tests/promises/charts.py).
    """
    import numpy as np

    x = np.asarray(values, dtype=float)
    if baseline is None:
        own = range(PROVISIONAL_FROM)
        baseline = baseline_from(x[:PROVISIONAL_FROM].tolist(), chosen=False, own=own)
    trend = mann_kendall(x) if len(x) >= 3 else None
    z = (x - baseline.mean) / baseline.sigma if baseline is not None and len(x) else None
    charts = None
    if z is not None and baseline is not None:
        charts = chart_lots(z, scores(z, baseline), rules=rules)
    signals = _signals(x, charts, baseline, trend)
    ahead = _projection(x, signals, trend, limit, unit, first)
    return Analysis(x, baseline, charts, signals, trend, ahead, p_value(z, baseline, trend))


def _signals(
    x: np.ndarray, charts: Charts | None, baseline: Baseline | None, trend: MannKendall | None
) -> tuple[Signal, ...]:
    found: list[Signal] = []
    if charts is not None and baseline is not None:
        for side in (1, -1, 0) if charts.rules else (1, -1):
            found += episodes(charts, baseline, side)
    trending = None if trend is None or trend.p >= TREND_ALPHA else _trending(x)
    return _in_order(found if trending is None else _with_trend(found, trending, baseline))


def _trending(x: np.ndarray) -> Signal | None:
    """Returns the trend of a whole stretch as a signal; None for a slope of 0."""
    last, line = len(x) - 1, theil_sen(x)
    if line.slope == 0:
        return None
    calls, gone = (Call("trend", last),), line.slope * last
    side = 1 if line.slope > 0 else -1
    return Signal(side, last, last, True, calls, "ramp", 0, line.slope, gone, line.intercept)


def _with_trend(found: Sequence[Signal], trending: Signal, baseline: Baseline | None) -> list[Signal]:
    """Returns the signals of charts with the trend: as a further call of a signal on the same side, else as a separate signal."""
    same_side = next((s for s in found if s.side == trending.side and s.active), None)
    if baseline is not None and not baseline.steady and not baseline.chosen:
        # A drifting provisional baseline lies on both sides of its own mean, so signals within it are part of the trend.
        first, calls = (
            (same_side.first, (*same_side.calls, *trending.calls)) if same_side else (trending.first, trending.calls)
        )
        kept = [s for s in found if s.first >= PROVISIONAL_FROM and s is not same_side]
        return [*kept, replace(trending, first=first, calls=calls)]
    if same_side is None:
        return [*found, trending]
    return [replace(s, calls=(*s.calls, *trending.calls)) if s is same_side else s for s in found]


def _in_order(signals: Sequence[Signal]) -> tuple[Signal, ...]:
    return tuple(sorted(signals, key=lambda s: (s.first, -abs(s.side))))


def _projection(
    x: np.ndarray, signals: Sequence[Signal], trend: MannKendall | None, limit: Limit | None, unit: str, first: int
) -> Projection | None:
    """Returns a line through the lots since an active ramp began, else through all lots with a trend."""
    moving = [s for s in signals if s.active and s.kind == "ramp"]
    start = max((s.began for s in moving), default=None)
    if start is None and trend is not None and trend.p < TREND_ALPHA and not any(s.active for s in signals):
        start = 0
    if start is None:
        return None
    start = min(start, max(0, len(x) - LEAST_LOTS))
    return project(x[start:], first + start, limit, unit)
