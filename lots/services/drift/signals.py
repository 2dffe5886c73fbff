"""Signals in words: the measure, the direction, the first lot, the size, and the charts that signalled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.drift.drift_analysis import Analysis
from lots.domain.drift.reported import Reason, why_unlisted
from lots.domain.drift.run_rules import RULES, rule_name
from lots.domain.drift.signals import Signal
from lots.services.drift.series import Segment


class LotPlace(TypedDict):
    """A lot by its number in the series."""

    number: int
    lot_id: int
    supplier_lot: str


class CallView(LotPlace):
    """A chart and the first lot that it signalled."""

    by: str
    what: str


class SignalView(TypedDict):
    """A signal of an answer. `measure`, `stretch` and `read` identify the stretch of lots."""

    measure: str
    stretch: int
    read: str
    side: int
    direction: str
    active: bool
    kind: str
    first: LotPlace
    last: LotPlace
    began: LotPlace
    size: float | None
    departure: float | None
    worsens: bool | None
    p_value: float | None
    listed: bool
    unlisted_because: Reason | None
    calls: list[CallView]
    says: str


CHARTS = {
    "individuals": "individuals chart (3 sigma)",
    "ewma": "EWMA",
    "cusum": "CUSUM",
    "trend": "trend test (Mann-Kendall)",
}
# Sentences on signals that a list leaves out regardless of their p-value.
UNLISTED = {
    "improvement": " This is an improvement. The lots move away from the limit.",
    "small": " The shift is less than a tenth of the limit.",
}


def view(
    signal: Signal, part: Segment, result: Analysis, limit: Limit | None, *, stretch: int, latest: bool, listed: bool
) -> SignalView:
    """Returns a signal with its lots and its sentences. Only signals of the latest stretch can be active.

    Args:
        limit: limit of the measure, which separates a worsening from an improvement.
        stretch: number of the stretch, from 1.
        latest: True for the latest stretch of the measure.
        listed: True when the list of all series shows this one.
    """
    about = MEASURES[part.measure]
    word = {1: about.more, -1: about.less, 0: "an odd pattern"}[signal.side]
    why = (why_unlisted(signal, limit) if latest else "ended") or (None if listed else "chance")
    called = sorted(signal.calls, key=lambda call: call.index)
    calls: list[CallView] = [
        {"by": call.chart, "what": CHARTS.get(call.chart) or RULES[call.chart], **place_of(part, call.index)}
        for call in called
    ]
    return {
        "measure": part.measure,
        "stretch": stretch,
        "read": part.key,
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


def place_of(part: Segment, index: int) -> LotPlace:
    """Returns a lot of a stretch with its number, its id and the supplier's lot number."""
    row = part.lot(index)
    return {"number": part.number(index), "lot_id": row.id, "supplier_lot": row.supplier_lot}


def moved(signal: Signal, part: Segment) -> str:
    """Returns the sentence on a movement: measure, direction, first lot and size."""
    about = MEASURES[part.measure]
    unit = f" {about.unit}" if about.unit else ""
    began, last = part.lot(signal.began).supplier_lot, part.lot(signal.last).supplier_lot
    if signal.side == 0:
        return f"{about.label}: an odd pattern up to lot {last}, not a drift."
    word = about.more if signal.side > 0 else about.less
    size, gone = (shown(abs(amount), about.decimals) for amount in (signal.size, signal.departure))
    if signal.kind == "ramp":
        return f"{about.label}: {word} since about lot {began}, by {size}{unit} per lot, {gone}{unit} in total up to lot {last}."
    if signal.kind == "single":
        return f"{about.label}: {word} in lot {began} alone, by {size}{unit}."
    if signal.began == len(part) - 1:
        return f"{about.label}: {word} in lot {began}, the latest, by {size}{unit}."
    return f"{about.label}: {word} from about lot {began} on, by {size}{unit} in one step."


def _since(signal: Signal, part: Segment, latest: bool) -> str:
    if signal.kind == "single":
        return ""
    if not signal.active:
        return f" Back at the baseline since lot {part.lot(signal.last + 1).supplier_lot}."
    return "" if latest else f" Lots after {part.lot(-1).supplier_lot} were measured differently and form a new series."


def _called_by(calls: Sequence[CallView]) -> str:
    """Returns the sentence on the charts and run rules that signalled, in order."""
    first, *others = calls
    later = [CHARTS.get(call["by"]) or rule_name(call["by"]) for call in others]
    agreed = f"; later by {', '.join(later)}" if later else ""
    return f"First signalled at lot {first['supplier_lot']}, by {first['what']}{agreed}."
