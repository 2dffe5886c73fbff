"""The figures of a supplier within one grade: colour bias, spread, capability, drift and levels, with their intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lots.domain.assessment.limits_revision import limit_on
from lots.domain.characteristics.registry import MEASURES
from lots.domain.colorimetry.color_difference import Components as ColorComponents
from lots.domain.conformity.limits import Limit
from lots.domain.drift.reported import signals_to_report
from lots.domain.drift.signals import Signal
from lots.domain.purchasing import supplier_comparison
from lots.domain.purchasing.supplier_comparison import LotResult
from lots.domain.statistics.capability import capability
from lots.domain.statistics.variance_components import Components, components_of, lot_mean_interval
from lots.domain.words import counted
from lots.services.drift import signals
from lots.services.drift.drift import Followed
from lots.services.drift.series import Segment
from lots.services.purchasing.supplies import Charted
from lots.services.views import View
from lots.store.engine.remembered import Remembered
from lots.store.tables.models import Grade

_SPREAD = tuple(code for code, one in MEASURES.items() if one.spread)
_CAPABLE = tuple(code for code, one in MEASURES.items() if one.capable)
_LEVELS = tuple(code for code, one in MEASURES.items() if one.level)


def variances(followed: Sequence[Followed], confidence: float) -> dict[str, Components]:
    """Returns the variance components of each measure with a limit or a compared spread, for its longest segment.

    Args:
        followed: the series of a supplier's lots of a grade.
        confidence: of the intervals.
    """
    asked = [one for one in followed if one.limit is not None or MEASURES[one.measure].spread]
    return {one.measure: _variances(max(one.parts, key=len), confidence) for one in asked}


def figures(
    results: Sequence[LotResult],
    followed: Sequence[Followed],
    drifting: Sequence[Followed],
    spread: Mapping[str, Components],
    told: Charted | None,
    grade: Grade | None,
    confidence: float,
) -> View:
    """Returns the figures of a supplier's lots of one grade; empty if several grades are compared.

    Args:
        results: of its lots.
        followed: their series.
        drifting: the series listed as drifting.
        spread: their `variances`.
        told: their limits and baselines; None for several grades.
        grade: of the lots; None for several.
        confidence: of the intervals.
    """
    if told is None or grade is None:
        return {"bias": None, "spread": [], "capability": [], "drift": [], "bond": []}
    agreed, nominal = told.agreed(grade.id), grade.nominal_diameter_mm
    # Spread comes from the longest segment, drift from the latest.
    longest = {one.measure: max(one.parts, key=len) for one in followed}
    told_of = {name: spread[name] for name in _SPREAD if name in spread}
    limits = {name: limit_on(name, agreed, nominal) for name in _CAPABLE if name in told_of}
    return {
        "bias": _bias(results, confidence),
        "spread": [_spread(longest[name], variance) for name, variance in told_of.items()],
        "capability": [
            made
            for name, limit in limits.items()
            if limit and (made := _capability(name, told_of[name], limit, confidence))
        ],
        "drift": [_moved(signal, one) for one in drifting for signal in signals_to_report(one.analysis, one.limit)],
        "bond": [_level(name, longest[name], confidence) for name in _LEVELS if name in longest],
    }


def _variances(part: Segment, confidence: float) -> Components:
    figures = part.column.figures[:, :3]

    def work() -> Components:
        values, spools, squares = figures.T
        return components_of(spools.astype(int).tolist(), values.tolist(), squares.tolist(), confidence)

    return _COMPONENTS.get((figures.tobytes(), confidence), len(figures), work)


# The cache holds components of so many figures, with 24 B of input each.
_COMPONENTS: Remembered[Components] = Remembered(200_000)


def _moved(signal: Signal, one: Followed) -> View:
    about, began = MEASURES[one.measure], signals.place_of(one.part, signal.began)
    return {
        "measure": one.measure,
        "direction": about.more if signal.side > 0 else about.less,
        "p_value": one.analysis.p,
        "began": began,
        "says": signals.moved(signal, one.part),
    }


def _bias(results: Sequence[LotResult], confidence: float) -> View | None:
    seen = supplier_comparison.bias(results, confidence)
    if seen is None:
        return None
    dL, da, db = seen.mean
    direction = " and ".join(ColorComponents(dL, da, db, 0.0, 0.0).direction.rsplit(", ", 1))
    around = seen.ellipsoid
    if around is None:
        says = f"On average {direction} ({counted(seen.n, 'lot')}, too few for a confidence region)."
    elif seen.zero_inside:
        says = f"No significant bias: the confidence region of {seen.n} lots includes the reference (on average {direction})."
    else:
        says = f"Significant bias: on average {direction} than the reference ({counted(seen.n, 'lot')})."
    axes = around and [{"half_length": length, "direction": list(way)} for length, way in around.axes]
    return {
        "dL": dL,
        "da": da,
        "db": db,
        "direction": direction,
        "n": seen.n,
        "ellipsoid": axes,
        "reference_inside": seen.zero_inside,
        "says": says,
    }


def _root(value: float | None) -> float | None:
    return None if value is None else value**0.5


def _spread(part: Segment, seen: Components) -> View:
    within, between = seen.within_interval, seen.between_interval
    return {
        "measure": part.measure,
        "unit": MEASURES[part.measure].unit,
        "read": part.key,
        "lots": len(part),
        "spools": int(part.column.figures[:, 1].sum()),
        "within_sd": _root(seen.within),
        "within_low": _root(within.low if within else None),
        "within_high": _root(within.high if within else None),
        "between_sd": _root(seen.between),
        "between_low": _root(between.low if between else None),
        "between_high": _root(between.high if between else None),
    }


def _capability(name: str, seen: Components, limit: Limit, confidence: float) -> View | None:
    """Returns Ppk from the total spread, and Cpk from the spread within lots alone, which assumes equal lot means."""
    if not seen.total or not seen.total_df or not seen.mean_variance or not seen.n_effective:
        return None
    whole = capability(
        seen.grand_mean,
        seen.total**0.5,
        seen.total_df,
        seen.n_effective,
        limit.low,
        limit.high,
        confidence,
    )
    inner = None
    if seen.within:
        inner = capability(
            seen.grand_mean,
            seen.within**0.5,
            seen.df_within,
            seen.within / seen.mean_variance,
            limit.low,
            limit.high,
            confidence,
        )
    return {
        "measure": name,
        "limit": limit.as_json(),
        "ppk": whole.cpk,
        "ppk_low": whole.interval.low,
        "ppk_high": whole.interval.high,
        "cpk": inner and inner.cpk,
        "cpk_low": inner and inner.interval.low,
        "cpk_high": inner and inner.interval.high,
        "expected_outside": whole.expected_outside,
    }


def _level(name: str, part: Segment, confidence: float) -> View:
    mean, interval, sd, n = lot_mean_interval(part.values.tolist(), confidence)
    return {
        "measure": name,
        "unit": MEASURES[name].unit,
        "mean": mean,
        "low": interval and interval.low,
        "high": interval and interval.high,
        "sd": sd,
        "n": n,
    }
