"""Parts of a drift answer: figures, baseline, charts, trend and projection of one stretch of lots."""

from __future__ import annotations

import math
from datetime import timedelta

from lots.domain.characteristics.registry import MEASURES
from lots.domain.drift import self_starting
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM
from lots.domain.drift.drift_analysis import Analysis
from lots.domain.drift.projection import Projection
from lots.domain.drift.reported import (
    ACTIVE_AT_MOST,
    EVER_AT_MOST,
    EVER_WITH_RULES_AT_MOST,
    RATED_AT_LOT,
)
from lots.domain.drift.trend import TREND_ALPHA
from lots.domain.words import counted
from lots.services.drift.series import Segment, Window
from lots.services.views import View
from lots.store.tables.models import Baseline

# Fewest lots whose mean interval predicts the arrival of the next. Common practice, no source.
LEAST_ARRIVALS = 3


def error_rates(*, rules: bool) -> View:
    """Returns the simulated rates of signals in steady series, with a sentence."""
    ever = EVER_WITH_RULES_AT_MOST if rules else EVER_AT_MOST
    says = f"At most {percent(ACTIVE_AT_MOST)} of steady series have an active signal at their {RATED_AT_LOT}th lot. At most {percent(ever)} have had one at any lot up to the {RATED_AT_LOT}th."
    return {"lots": RATED_AT_LOT, "active_percent": 100 * ACTIVE_AT_MOST, "ever_percent": 100 * ever, "says": says}


def percent(share: float) -> str:
    """Returns a share as a percentage, such as 5 %."""
    return f"{100 * share:g} %"


def baseline_view(result: Analysis, part: Segment, kept: Baseline | None) -> View:
    """Returns the baseline of a stretch, with a sentence."""
    base = result.baseline
    if base is None:
        lacking = PROVISIONAL_FROM - len(part)
        says = f"No baseline yet. It requires {PROVISIONAL_FROM} lots measured in the same way, {lacking} more than now. Only a trend is tested."
        if lacking <= 0:
            says = f"No baseline. The first {PROVISIONAL_FROM} lots are all equal, so their standard deviation is zero."
        return {"status": "none", "chosen": False, "revision": None, "mean": None, "sigma": None, "n": 0, "says": says}
    if base.chosen and kept is not None:
        origin = "agreed values" if base.n == 0 else counted(base.n, "lot")
        firm = "" if base.status != "provisional" else f" Firm from {FIRM_FROM} lots."
        says = f"Baseline revision {kept.revision} ({origin}), chosen by {kept.recorded_by}.{firm}"
    else:
        drifting = "" if base.steady else " These lots drift, so the charts are less sensitive."
        says = f"Provisional baseline: the first {base.n} lots.{drifting}"
    if base.n:
        says += " The control limits allow for the uncertainty of the baseline."
    return {
        "status": base.status,
        "chosen": base.chosen,
        "revision": kept.revision if base.chosen and kept is not None else None,
        "mean": base.mean,
        "sigma": base.sigma,
        "n": base.n,
        "says": says,
    }


def points(number: int, part: Segment, shown: Window) -> list[View]:
    """Returns the figures of the lots shown of a stretch.

    Args:
        number: number of the stretch, from 1.
    """
    inside = shown.within(part)
    column = part.column.part(inside.start, inside.stop)
    return [
        {
            "number": place + 1,
            "lot_id": part.lots.rows[place].id,
            "value": value,
            "uncertainty": None if math.isnan(u) else u,
            "n": int(n),
            "stretch": number,
        }
        for place, (value, n, _, u) in zip(column.at.tolist(), column.figures.tolist(), strict=True)
    ]


def chart_view(result: Analysis, part: Segment, shown: Window) -> View:
    """Returns the charts of a stretch with their parameters, for the lots shown."""
    charts, base = result.charts, result.baseline
    if charts is None or base is None:
        raise ValueError("only a stretch with a baseline is charted")
    scored = charts.scores
    low, high = (base.mean + base.sigma * end for end in scored.limits())
    # Scores are converted to the measure's unit, about the mean that applied to the lot.
    level, unit = base.mean + base.sigma * scored.level, base.sigma * scored.reach
    columns = {
        "number": part.column.at + 1,
        "z": charts.z,
        "score": scored.q,
        "individuals_low": low,
        "individuals_high": high,
        "ewma": level + unit * charts.ewma.statistic,
        "ewma_low": level + unit * charts.ewma.lower,
        "ewma_high": level + unit * charts.ewma.upper,
        "cusum_high": charts.cusum.high,
        "cusum_low": charts.cusum.low,
        "in_baseline": scored.own,
    }
    called: dict[int, list[str]] = {}
    for call in (call for signal in result.signals for call in signal.calls):
        called.setdefault(call.index, []).append(call.chart)
    inside = shown.within(part)
    first_called = [called.get(index, []) for index in range(inside.start, inside.stop)]
    cells = [column[inside].tolist() for column in columns.values()]
    names = (*columns, "first_called_by")
    parameters = {
        "individuals_low": float(low[-1]),
        "individuals_high": float(high[-1]),
        "ewma_weight": self_starting.EWMA_WEIGHT,
        "ewma_width": self_starting.EWMA_WIDTH,
        "cusum_reference": self_starting.CUSUM_REFERENCE,
        "cusum_interval": self_starting.CUSUM_INTERVAL,
    }
    return {
        "parameters": parameters,
        "points": [dict(zip(names, row, strict=True)) for row in zip(*cells, first_called, strict=True)],
    }


def trend_view(result: Analysis, part: Segment) -> View:
    """Returns the trend of a stretch and its slope, with a sentence."""
    trend, slope = result.trend, result.slope
    if trend is None or slope is None:
        return {
            "n": len(part),
            "says": "A trend requires at least three lots.",
            **dict.fromkeys(_TREND),
        }
    about = MEASURES[part.measure]
    unit = f" {about.unit}" if about.unit else ""
    moving = trend.p < TREND_ALPHA and slope.slope != 0
    digits = about.decimals + 1
    if slope.low is None or slope.high is None:
        ends = "too few lots for an interval"
    else:
        interval = f"{slope.low:+z.{digits}f} to {slope.high:+z.{digits}f}{unit} per lot"
        ends = f"{100 * slope.confidence:.0f} % interval {interval}"
    if moving:
        way = about.more if slope.slope > 0 else about.less
        says = f"{way} by {abs(slope.slope):.{digits}f}{unit} per lot ({ends}; p = {trend.p:.2g})."
    else:
        says = f"No significant trend over {trend.n} lots ({ends}; p = {trend.p:.2g}, alpha = {TREND_ALPHA:g})."
    figures = (slope.slope, slope.low, slope.high, slope.method, trend.s, trend.tau, trend.p)
    return {"n": trend.n, "says": says[:1].upper() + says[1:], **dict(zip(_TREND, figures, strict=True))}


_TREND = ("slope", "slope_low", "slope_high", "method", "kendall_s", "kendall_tau", "p")
_PROJECTION = ("slope", "slope_low", "slope_high", "limit", "about", "earliest", "latest")
_DATES = ("days_per_lot", "about_at", "earliest_at", "latest_at")


def projection_view(result: Analysis, part: Segment) -> View:
    """Returns the projection of the lots to their limit, or the reason without one."""
    ahead = result.projection
    if ahead is None:
        jumped = any(s.active and s.kind == "step" for s in result.signals)
        says = (
            "No projection, because the lots moved in one step."
            if jumped
            else "No projection yet, because no trend is significant."
        )
        return {**dict.fromkeys((*_PROJECTION, *_DATES)), "says": says}
    figures = {name: getattr(ahead, name) for name in _PROJECTION}
    return {**figures, **_arrivals(ahead, part), "says": ahead_says(ahead, part)}


def _arrivals(ahead: Projection, part: Segment) -> View:
    """Returns the dates of the projected lots, at the mean interval between the lots of the span.

    Common practice, no source.
    """
    rows = part.lots.rows
    if len(rows) < LEAST_ARRIVALS:
        return dict.fromkeys(_DATES)
    apart = (rows[-1].received_at - rows[0].received_at) / (len(rows) - 1)
    dates = {
        f"{name}_at": None
        if (number := getattr(ahead, name)) is None
        else rows[-1].received_at + apart * (number - len(rows))
        for name in ("about", "earliest", "latest")
    }
    return {"days_per_lot": apart / timedelta(days=1), **dates}


def ahead_says(ahead: Projection, part: Segment) -> str:
    """Returns the sentences on a projection, with the number of the latest lot where it names numbers."""
    if ahead.earliest is None:
        return ahead.says
    return f"{ahead.says} Lot {part.lot(-1).supplier_lot} was number {ahead.last}."
