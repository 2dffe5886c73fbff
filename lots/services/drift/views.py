"""The parts of a drift answer in words: baseline, charts, signals, trend and projection of one stretch of lots."""

from __future__ import annotations

from typing import Any

from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.drift import self_starting
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM
from lots.domain.drift.drift_analysis import Analysis
from lots.domain.drift.projection import Projection
from lots.domain.drift.reported import (
    ACTIVE_AT_MOST,
    EVER_AT_MOST,
    EVER_WITH_RULES_AT_MOST,
    RATED_AT_LOT,
    why_unlisted,
)
from lots.domain.drift.run_rules import RULES
from lots.domain.drift.signals import Signal
from lots.domain.drift.trend import TREND_ALPHA
from lots.domain.words import counted
from lots.services.drift.series import Segment

CHARTS = {
    "individuals": "individuals chart (3 sigma)",
    "ewma": "EWMA",
    "cusum": "CUSUM",
    "trend": "trend test (Mann-Kendall)",
}
# What a signal adds to its words where a list leaves it out whatever its p-value.
UNLISTED = {
    "improvement": " This is an improvement. The lots move away from the limit.",
    "small": " The shift is less than a tenth of the limit.",
}


def error_rates(*, rules: bool) -> dict[str, Any]:
    """Returns how often steady series have a signal, as simulated, with its words."""
    ever = EVER_WITH_RULES_AT_MOST if rules else EVER_AT_MOST
    says = f"At most {percent(ACTIVE_AT_MOST)} of steady series have an active signal at their {RATED_AT_LOT}th lot. At most {percent(ever)} had one at some lot up to it."
    return {"lots": RATED_AT_LOT, "active_percent": 100 * ACTIVE_AT_MOST, "ever_percent": 100 * ever, "says": says}


def percent(share: float) -> str:
    """Returns a share in per cent, as people write it."""
    return f"{100 * share:g} %"


def baseline_view(result: Analysis, part: Segment, kept: Any) -> dict[str, Any]:
    """Returns what a stretch is charted against, with its words."""
    base = result.baseline
    if base is None:
        lacking = PROVISIONAL_FROM - len(part.values)
        says = f"No baseline yet: it takes {PROVISIONAL_FROM} lots read alike, so {lacking} more. Until then the lots are shown, and a trend is looked for."
        if lacking <= 0:
            says = (
                f"No baseline: the first {PROVISIONAL_FROM} lots are all the same, so there is no scatter to chart by."
            )
        return {"status": "none", "chosen": False, "revision": None, "mean": None, "sigma": None, "n": 0, "says": says}
    if base.chosen:
        origin = "given by hand" if base.n == 0 else counted(base.n, "lot")
        firm = "" if base.status != "provisional" else f" Firm from {FIRM_FROM} lots."
        says = f"Revision {kept.revision}, chosen by {kept.recorded_by}: {origin}.{firm}"
    else:
        drifting = "" if base.steady else " They drift themselves, so more has moved than the charts show."
        says = f"Provisional baseline: the first {base.n} lots.{drifting}"
    if base.n:
        says += " Limits allow for the estimate."
    return {
        "status": base.status,
        "chosen": base.chosen,
        "revision": kept.revision if base.chosen else None,
        "mean": base.mean,
        "sigma": base.sigma,
        "n": base.n,
        "says": says,
    }


def chart_view(result: Analysis, part: Segment) -> dict[str, Any]:
    """Returns the charts of a stretch lot by lot, with their parameters."""
    charts, base = result.charts, result.baseline
    if charts is None or base is None:
        raise ValueError("only a stretch with a baseline is charted")
    called: dict[int, list[str]] = {}
    for signal in result.signals:
        for call in signal.calls:
            called.setdefault(call.index, []).append(call.chart)
    scored = charts.scores
    low, high = (base.mean + base.sigma * end for end in scored.limits())
    # A score back in the measure's own unit, about the mean that its lot was judged by.
    level, unit = base.mean + base.sigma * scored.level, base.sigma * scored.reach
    columns = {
        "number": part.numbers,
        "z": charts.z.tolist(),
        "score": scored.q.tolist(),
        "individuals_low": low.tolist(),
        "individuals_high": high.tolist(),
        "ewma": (level + unit * charts.ewma.statistic).tolist(),
        "ewma_low": (level + unit * charts.ewma.lower).tolist(),
        "ewma_high": (level + unit * charts.ewma.upper).tolist(),
        "cusum_high": charts.cusum.high.tolist(),
        "cusum_low": charts.cusum.low.tolist(),
        "in_baseline": scored.own.tolist(),
        "first_called_by": [called.get(index, []) for index in range(len(part.numbers))],
    }
    points = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    parameters = {
        "individuals_low": float(low[-1]),
        "individuals_high": float(high[-1]),
        "ewma_weight": self_starting.EWMA_WEIGHT,
        "ewma_width": self_starting.EWMA_WIDTH,
        "cusum_reference": self_starting.CUSUM_REFERENCE,
        "cusum_interval": self_starting.CUSUM_INTERVAL,
    }
    return {"parameters": parameters, "points": points}


def signal_view(
    signal: Signal, part: Segment, result: Analysis, limit: Limit | None, *, latest: bool, listed: bool
) -> dict[str, Any]:
    """Returns a signal with its lots and its words. In a stretch that is not the latest nothing is active any more.

    Args:
        limit: of the measure, which tells a worsening from an improvement.
        latest: the stretch is the latest of its measure.
        listed: the series is one of those that a list of all series looked at shows.
    """
    about = MEASURES[part.measure]
    word = {1: about.more, -1: about.less, 0: "an odd pattern"}[signal.side]
    why = (why_unlisted(signal, limit) if latest else "ended") or (None if listed else "chance")
    called = sorted(signal.calls, key=lambda call: call.index)
    calls = [
        {"by": call.chart, "what": CHARTS.get(call.chart) or RULES[call.chart], **place_of(part, call.index)}
        for call in called
    ]
    return {
        "side": signal.side,
        "direction": word,
        "active": signal.active and latest,
        "kind": signal.kind,
        "first": place_of(part, signal.first),
        "last": place_of(part, signal.last),
        "began": place_of(part, signal.began),
        "size": signal.size if signal.side else None,
        "departure": signal.departure if signal.side else None,
        "worsens": signal.worsens(limit) if limit and signal.side else None,
        "p_value": result.p if latest else None,
        "listed": why is None,
        "unlisted_because": why,
        "calls": calls,
        "says": f"{moved(signal, part)} {_called_by(calls)}{_since(signal, part, latest)}{UNLISTED.get(why or '', '')}",
    }


def place_of(part: Segment, index: int) -> dict[str, Any]:
    """Returns a lot of a stretch by its number, id and the supplier's name for it."""
    row = part.rows[index]
    return {"number": part.numbers[index], "lot_id": row.id, "supplier_lot": row.supplier_lot}


def moved(signal: Signal, part: Segment) -> str:
    """Returns in a sentence what moved, which way, since which lot and how far."""
    about = MEASURES[part.measure]
    unit = f" {about.unit}" if about.unit else ""
    began, last = part.rows[signal.began].supplier_lot, part.rows[signal.last].supplier_lot
    if signal.side == 0:
        return f"{about.label}: an odd pattern up to lot {last}, not a drift."
    word = about.more if signal.side > 0 else about.less
    size, gone = (shown(abs(amount), about.decimals) for amount in (signal.size, signal.departure))
    if signal.kind == "ramp":
        return (
            f"{about.label}: {word} since about lot {began}, by {size}{unit} a lot, {gone}{unit} in all by lot {last}."
        )
    if signal.kind == "single":
        return f"{about.label}: {word} in lot {began} alone, by {size}{unit}."
    if signal.began == len(part.rows) - 1:
        return f"{about.label}: {word} in lot {began}, the latest, by {size}{unit}."
    return f"{about.label}: {word} from about lot {began} on, by {size}{unit} at once."


def _since(signal: Signal, part: Segment, latest: bool) -> str:
    if signal.kind == "single":
        return ""
    if not signal.active:
        return f" Back since lot {part.rows[signal.last + 1].supplier_lot}."
    return "" if latest else f" Lots after {part.rows[-1].supplier_lot} were read otherwise and start a new series."


def _called_by(calls: list[dict[str, Any]]) -> str:
    """Who called first, and who agreed later: charts by name, run rules by their number."""
    first, *others = calls
    charts = [CHARTS[call["by"]] for call in others if call["by"] in CHARTS]
    rules = [call["by"] for call in others if call["by"] not in CHARTS]
    later = [*charts, *([f"run {'rule' if len(rules) == 1 else 'rules'} {', '.join(rules)}"] if rules else [])]
    agreed = f"; later by {', '.join(later)}" if later else ""
    return f"First called at lot {first['supplier_lot']}, by {first['what']}{agreed}."


def trend_view(result: Analysis, part: Segment) -> dict[str, Any]:
    """Returns the trend of a stretch and its slope, with their words."""
    trend, slope = result.trend, result.slope
    if trend is None or slope is None:
        return {
            "n": len(part.values),
            "says": "Nothing can be said of a trend from fewer than three lots.",
            **dict.fromkeys(_TREND),
        }
    about = MEASURES[part.measure]
    unit = f" {about.unit}" if about.unit else ""
    moving = trend.p < TREND_ALPHA and slope.slope != 0
    digits = about.decimals + 1
    if slope.low is None or slope.high is None:
        ends = "too few lots for an interval of the slope"
    else:
        ends = f"{slope.low:+.{digits}f} to {slope.high:+.{digits}f}{unit} a lot with {slope.confidence:.0%} confidence"
    if moving:
        way = about.more if slope.slope > 0 else about.less
        says = f"{way} by {abs(slope.slope):.{digits}f}{unit} a lot ({ends}; p = {trend.p:.2g})."
    else:
        says = f"No trend shown over {trend.n} lots ({ends}; p = {trend.p:.2g}, where a trend takes less than {TREND_ALPHA:g})."
    figures = (slope.slope, slope.low, slope.high, slope.method, trend.s, trend.tau, trend.p)
    return {"n": trend.n, "says": says[:1].upper() + says[1:], **dict(zip(_TREND, figures, strict=True))}


_TREND = ("slope", "slope_low", "slope_high", "method", "kendall_s", "kendall_tau", "p")
_PROJECTION = ("slope", "slope_low", "slope_high", "limit", "about", "earliest", "latest")


def projection_view(result: Analysis, part: Segment) -> dict[str, Any]:
    """Returns where the lots reach their limit, or in words why that cannot be said."""
    ahead = result.projection
    if ahead is None:
        jumped = any(s.active and s.kind == "step" for s in result.signals)
        says = (
            "It moved at once, not along a slope, so nothing can be said of where it goes."
            if jumped
            else "Nothing can be said yet: no slope is shown."
        )
        return {**dict.fromkeys(_PROJECTION), "says": says}
    return {**{name: getattr(ahead, name) for name in _PROJECTION}, "says": ahead_says(ahead, part)}


def ahead_says(ahead: Projection, part: Segment) -> str:
    """Returns the words of a projection, with the lot that its numbers count from where it names any."""
    if ahead.earliest is None:
        return ahead.says
    return f"{ahead.says} Lot {part.rows[-1].supplier_lot} was number {ahead.last}."
