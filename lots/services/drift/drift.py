"""How a supplier's lots of a grade move: series, baselines, charts, signals and what comes next, in the words of whoever asks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import limit_on, limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import Limit
from lots.domain.drift import drift_analysis
from lots.domain.drift.drift_analysis import Analysis, Signal
from lots.domain.drift.projection import Projection
from lots.domain.drift.run_rules import RULES
from lots.domain.words import counted
from lots.services.drift import series
from lots.services.drift.series import Segment
from lots.services.errors import Fault, Invalid
from lots.services.instruments.instrument_changes import InstrumentChange, bridges
from lots.services.lookups import found
from lots.store.drift import series as store

CHARTS = {
    "individuals": "individuals chart (3 sigma)",
    "ewma": "EWMA",
    "cusum": "CUSUM",
    "trend": "trend test (Mann-Kendall)",
}


# Held by simulation in tests/domain/drift/test_drift_laws.py.
BY_CHANCE = "Measured from so few lots, about one steady series in seven shows a signal at its 20th lot by chance: a reason to look, no proof."


def drift_of(
    supplier_id: int,
    grade_id: int,
    characteristic: str | None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> dict[str, Any]:
    """Returns the drift of a characteristic, of one measure of it, or of all, over a supplier's lots of a grade.

    Five queries, however many lots, and one more where their instrument changed.

    Raises:
        NotFound: no such supplier or grade.
        Invalid: no such characteristic; the answer lists those there are.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    measures = series.measures_of(characteristic) if characteristic else list(MEASURES)
    if not measures:
        known = [*dict.fromkeys(name.partition(".")[0] for name in MEASURES), *MEASURES]
        raise Invalid(
            Fault(
                "characteristic", f'"{characteristic}" is not followed over lots.', f"Write one of: {', '.join(known)}."
            )
        )
    rows = series.originals(store.lots_of(supplier_id=supplier.id, grade_id=grade.id, since=since, until=until))
    limits = store.newest_limits([grade.id]).get(grade.id)
    kept = store.newest_baselines(supplier_id=supplier.id, grade_id=grade.id).get((supplier.id, grade.id))
    agreed = limits_from(limits.body) if limits else None
    answer: dict[str, Any] = {
        "supplier_id": supplier.id,
        "supplier": supplier.name,
        "grade_id": grade.id,
        "grade": grade.code,
        "characteristic": characteristic,
        "limits_revision": limits and limits.revision,
        "baseline_revision": kept and kept.revision,
        "lots": [_lot_line(number, row) for number, row in enumerate(rows, start=1)],
        **{
            part: [] for part in ("series", "baseline", "charts", "signals", "trend", "projection", "marks", "together")
        },
    }
    ties = bridges(rows, agreed)
    for measure in measures:
        parts = series.stretches(rows, measure, ties)
        _add_measure(answer, measure, parts, kept, limit_on(measure, agreed, grade.nominal_diameter_mm))
    if len(VECTOR) <= len(set(VECTOR) & set(measures)):
        _add_together(answer, series.stretches(rows, VECTOR[0], ties), kept)
    return {**answer, "says": _says(answer)}


def _lot_line(number: int, row: Any) -> dict[str, Any]:
    return {
        "number": number,
        "lot_id": row.id,
        "supplier_lot": row.supplier_lot,
        "received_at": row.received_at,
        "standing": row.standing,
    }


def analysed(stretch: Segment, kept: Any, limit: Limit | None) -> Analysis:
    """Returns the analysis of one stretch, numbered so that the lots to come count on from its last."""
    first = stretch.numbers[-1] - len(stretch.numbers) + 1
    unit = MEASURES[stretch.measure].unit
    return drift_analysis.analyse(stretch.values, series.baseline_for(stretch, kept), limit, unit, first)


def _add_measure(
    answer: dict[str, Any], measure: str, parts: Sequence[Segment], kept: Any, limit: Limit | None
) -> None:
    about = MEASURES[measure]
    answer["series"].append(
        {
            "measure": measure,
            "label": about.label,
            "unit": about.unit,
            "limit": limit.as_json() if limit else None,
            "points": [point for number, part in enumerate(parts, 1) for point in _points(number, part)],
        }
    )
    for number, part in enumerate(parts, start=1):
        result = analysed(part, kept, limit)
        place = {"measure": measure, "stretch": number, "read": part.key}
        answer["baseline"].append({**place, **_baseline_view(result, part, kept)})
        if result.charts is not None:
            answer["charts"].append({**place, **_chart_view(result, part)})
        latest = number == len(parts)
        answer["signals"] += [{**place, **signal_view(s, part, result, latest=latest)} for s in result.signals]
        answer["marks"] += _marks(measure, parts[number - 2] if number > 1 else None, part)
    if parts:
        place = {"measure": measure, "stretch": len(parts)}
        answer["trend"].append({**place, **_trend_view(result, part)})
        answer["projection"].append({**place, **projection_view(result, part)})


def _points(number: int, part: Segment) -> list[dict[str, Any]]:
    found = []
    for at, row in zip(part.numbers, part.rows, strict=True):
        value, n, _, u = row.figures["measures"][part.measure]
        found.append({"number": at, "lot_id": row.id, "value": value, "uncertainty": u, "n": n, "stretch": number})
    return found


def _marks(measure: str, before: Segment | None, part: Segment) -> list[dict[str, Any]]:
    """Where a stretch begins anew, and where it goes on across a change of instrument."""
    found = []
    if before is not None:
        how = f" {part.began.says}" if part.began else ""
        anew = f"The series starts anew here.{how}"
        found.append(_mark(measure, part.numbers[0], part.rows[0], (before.keys[-1], part.keys[0]), anew, part.began))
    for index, (number, row, crossing) in enumerate(part.crossings):
        read = (part.keys[index], part.keys[index + 1])
        found.append(_mark(measure, number, row, read, f"The series goes on. {crossing.says}", crossing))
    return found


def _mark(
    measure: str, number: int, row: Any, read: tuple[str, str], how: str, crossing: InstrumentChange | None
) -> dict[str, Any]:
    return {
        "measure": measure,
        "before_number": number,
        "before_lot_id": row.id,
        "bridged": crossing is not None and crossing.bridged,
        "study_id": crossing.study if crossing else None,
        "says": f"From lot {row.supplier_lot} on: {read[1]}. Before: {read[0]}. {how}",
    }


def _baseline_view(result: Analysis, part: Segment, kept: Any) -> dict[str, Any]:
    base = result.baseline
    if base is None:
        lacking = drift_analysis.PROVISIONAL_FROM - len(part.values)
        says = f"No baseline yet: it takes {drift_analysis.PROVISIONAL_FROM} lots read alike, so {lacking} more. Until then the lots are shown, and a trend is looked for."
        if lacking <= 0:
            says = f"No baseline: the first {drift_analysis.PROVISIONAL_FROM} lots are all the same, so there is no scatter to chart by."
        return {"status": "none", "chosen": False, "revision": None, "mean": None, "sigma": None, "n": 0, "says": says}
    if base.chosen:
        origin = "given by hand" if base.n == 0 else counted(base.n, "lot")
        firm = "" if base.status != "provisional" else f" Firm from {drift_analysis.FIRM_FROM} lots. {BY_CHANCE}"
        says = f"Revision {kept.revision}, chosen by {kept.recorded_by}: {origin}.{firm}"
    else:
        drifting = "" if base.steady else " They drift themselves, so more has moved than the charts show."
        says = f"The first {base.n} lots stand in, until quality chooses a baseline. {BY_CHANCE}{drifting}"
    return {
        "status": base.status,
        "chosen": base.chosen,
        "revision": kept.revision if base.chosen else None,
        "mean": base.mean,
        "sigma": base.sigma,
        "n": base.n,
        "says": says,
    }


def _chart_view(result: Analysis, part: Segment) -> dict[str, Any]:
    charts, base = result.charts, result.baseline
    if charts is None or base is None:
        raise ValueError("only a stretch with a baseline is charted")
    called: dict[int, list[str]] = {}
    for signal in result.signals:
        for call in signal.calls:
            called.setdefault(call.index, []).append(call.chart)
    columns = zip(
        part.numbers,
        charts.z.tolist(),
        charts.ewma.statistic.tolist(),
        charts.ewma.lower.tolist(),
        charts.ewma.upper.tolist(),
        charts.cusum.high.tolist(),
        charts.cusum.low.tolist(),
        strict=True,
    )
    # The moving average and its limits in the measure's own unit; z and the sums in standard deviations.
    points = [
        {
            "number": number,
            "z": z,
            "ewma": base.mean + base.sigma * average,
            "ewma_low": base.mean + base.sigma * low,
            "ewma_high": base.mean + base.sigma * high,
            "cusum_high": up,
            "cusum_low": down,
            "first_called_by": called.get(index, []),
        }
        for index, (number, z, average, low, high, up, down) in enumerate(columns)
    ]
    parameters = {
        "individuals_low": base.mean - 3 * base.sigma,
        "individuals_high": base.mean + 3 * base.sigma,
        "ewma_weight": drift_analysis.EWMA_WEIGHT,
        "ewma_width": drift_analysis.EWMA_WIDTH,
        "cusum_reference": drift_analysis.CUSUM_REFERENCE,
        "cusum_interval": drift_analysis.CUSUM_INTERVAL,
    }
    return {"parameters": parameters, "points": points}


def signal_view(signal: Signal, part: Segment, result: Analysis, *, latest: bool = True) -> dict[str, Any]:
    """Returns a signal with its lots and its words. In a stretch that is not the latest nothing is active any more."""
    about = MEASURES[part.measure]
    word = {1: about.more, -1: about.less, 0: "an odd pattern"}[signal.side]
    called = sorted(signal.calls, key=lambda call: call.index)
    calls = [
        {"by": call.chart, "what": CHARTS.get(call.chart) or RULES[call.chart], **_at(part, call.index)}
        for call in called
    ]
    return {
        "side": signal.side,
        "direction": word,
        "active": signal.active and latest,
        "kind": signal.kind,
        "first": _at(part, signal.first),
        "last": _at(part, signal.last),
        "began": _at(part, signal.began),
        "size": signal.size if signal.side else None,
        "departure": signal.departure if signal.side else None,
        "calls": calls,
        "says": f"{moved(signal, part)} {_called_by(calls)}{_since(signal, part, latest)}",
    }


def _at(part: Segment, index: int) -> dict[str, Any]:
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


def _trend_view(result: Analysis, part: Segment) -> dict[str, Any]:
    trend, slope = result.trend, result.slope
    if trend is None or slope is None:
        return {
            "n": len(part.values),
            "says": "Nothing can be said of a trend from fewer than three lots.",
            **dict.fromkeys(_TREND),
        }
    about = MEASURES[part.measure]
    unit = f" {about.unit}" if about.unit else ""
    moving = trend.p < drift_analysis.TREND_ALPHA and slope.slope != 0
    digits = about.decimals + 1
    if slope.low is None or slope.high is None:
        ends = "too few lots for an interval of the slope"
    else:
        ends = f"{slope.low:+.{digits}f} to {slope.high:+.{digits}f}{unit} a lot with {slope.confidence:.0%} confidence"
    if moving:
        way = about.more if slope.slope > 0 else about.less
        says = f"{way} by {abs(slope.slope):.{digits}f}{unit} a lot ({ends}; p = {trend.p:.2g})."
    else:
        says = f"No trend shown over {trend.n} lots ({ends}; p = {trend.p:.2g}, where a trend takes less than {drift_analysis.TREND_ALPHA:g})."
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


def _add_together(answer: dict[str, Any], parts: Sequence[Segment], kept: Any) -> None:
    """Colour as a whole, by Hotelling's T2."""
    for number, part in enumerate(parts, start=1):
        whole = drift_analysis.together(series.color_rows(part), series.color_baseline_for(part, kept))
        if whole is None:
            continue
        answer["together"].append(
            {
                "stretch": number,
                "limit": whole.limit,
                "baseline_n": whole.n,
                "points": [{"number": n, "t2": float(t)} for n, t in zip(part.numbers, whole.statistic, strict=True)],
                "signals": [_together_view(part, index, parts) for index, parts in whole.signals],
            }
        )


def _together_view(part: Segment, index: int, parts: Sequence[float]) -> dict[str, Any]:
    total = sum(max(0.0, share) for share in parts) or 1.0
    values = [part.rows[index].figures["measures"][name][0] for name in VECTOR]
    drivers = sorted(zip(VECTOR, parts, values, strict=True), key=lambda driver: -driver[1])
    # The coordinates that carry the signal: those with a third of it or more, the largest in any case.
    named = [d for rank, d in enumerate(drivers) if rank == 0 or d[1] >= total / 3]
    return {
        **_at(part, index),
        "contributions": dict(zip(("dL", "da", "db"), parts, strict=True)),
        "driven_by": [name for name, _, _ in named],
        "says": f"Lot {part.rows[index].supplier_lot} is unusual in colour as a whole, mostly by {' and '.join(MEASURES[name].label for name, _, _ in named)}.",
    }


def _says(answer: dict[str, Any]) -> str:
    active = [signal for signal in answer["signals"] if signal["active"] and signal["side"]]
    who = f"{answer['supplier']}, {answer['grade']}"
    latest = [[p for p in line["points"] if p["stretch"] == line["points"][-1]["stretch"]] for line in answer["series"]]
    measured = max(map(len, latest), default=0)
    if active:
        return " ".join(f"{signal['says']}" for signal in active)
    if not measured:
        return f"{who}: no lot was measured for this yet."
    if measured < drift_analysis.PROVISIONAL_FROM:
        return f"{who}: {measured} {'lot' if measured == 1 else 'lots'} read alike, too few to say how they drift."
    return f"{who}: no drift shown over {measured} lots."
