"""Purchasing: the suppliers of a grade side by side, each figure with its interval and what it rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import COLOR, VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.colorimetry.color_difference import Components
from lots.domain.drift.reported import signals_to_report
from lots.domain.drift.signals import Signal
from lots.domain.purchasing import supplier_comparison
from lots.domain.purchasing.supplier_comparison import CRITERIA, LotResult
from lots.domain.statistics.capability import capability
from lots.domain.statistics.variance_components import Components as Variances
from lots.domain.statistics.variance_components import Group, components, lot_mean_interval
from lots.domain.words import counted
from lots.services.drift import drift, series, views
from lots.services.drift.drift import Followed
from lots.services.instruments.instrument_changes import NONE, Bridges, bridges
from lots.services.lookups import found
from lots.services.purchasing import delivery_costs
from lots.store.assessment import lots
from lots.store.drift import series as store

CONFIDENCE = 0.95
_SPREAD = tuple(code for code, one in MEASURES.items() if one.spread)
_CAPABLE = tuple(code for code, one in MEASURES.items() if one.capable)
_LEVELS = tuple(code for code, one in MEASURES.items() if one.level)


def compare(grade_id: int | None, since: datetime | None, until: datetime | None) -> dict[str, Any]:
    """Returns the suppliers of a grade, or of all grades, compared over lots received between two moments. Eight queries at most.

    Over all grades only what can be added up over grades is told: acceptance, deliveries, and ranks from lots of the same grade.

    Raises:
        NotFound: no such grade.
    """
    grade = None if grade_id is None else found("grade", grade_id)
    rows = store.lots_of(grade_id=grade_id, since=since, until=until)
    by_supplier: dict[int, list[Any]] = {}
    for row in rows:
        by_supplier.setdefault(row.supplier_id, []).append(row)
    names, grades = store.names(list(by_supplier), sorted({row.grade_id for row in rows}))
    bought = delivery_costs.by_supplier(store.purchases(grade_id, since, until), {row.id: row.standing for row in rows})
    limits = store.newest_limits([grade.id]).get(grade.id) if grade else None
    agreed = limits_from(limits.body) if limits else None
    kept = store.newest_baselines(grade_id=grade.id) if grade else {}
    ties = bridges(rows, agreed) if grade else NONE
    originals = {number: series.originals(mine) for number, mine in by_supplier.items()}
    results = {number: [_result(row) for row in mine] for number, mine in originals.items()}
    moving = _followed(originals, agreed, grade, kept, ties) if grade else {}
    selected = drift.select(one for mine in moving.values() for one in mine)
    listed = iter(selected.listed)
    drifting = {number: [one for one in mine if next(listed)] for number, mine in moving.items()}
    pairs = supplier_comparison.compare(results, CONFIDENCE)
    called = {number: row.name for number, row in names.items()}
    ranks = {name: supplier_comparison.rank(name, pairs, called, _has_data(name, results)) for name in CRITERIA}
    lines = []
    for number in sorted(by_supplier, key=lambda n: (ranks["acceptance"][n].place or 10**6, called[n])):
        line = {
            "supplier_id": number,
            "supplier": called[number],
            "grades": sorted({grades[row.grade_id].code for row in by_supplier[number]}),
            **_accepted(results[number], _not_proved(originals[number])),
            **(_one_grade(results[number], agreed, grade, moving[number], drifting[number]) if grade else _MANY),
            **bought.get(number, delivery_costs.nothing()),
            "basis": _basis(by_supplier[number], originals[number], bought.get(number, delivery_costs.nothing())),
            "rank": ranks["acceptance"][number].place,
            "rank_why": ranks["acceptance"][number].why,
            "ranks": {name: {"rank": ranks[name][number].place, "why": ranks[name][number].why} for name in CRITERIA},
        }
        line["basis"]["severities"] = line.pop("severities")
        lines.append(line)
    return {
        "grade_id": grade and grade.id,
        "grade": grade and grade.code,
        "from": since,
        "to": until,
        "confidence": CONFIDENCE,
        "criteria": CRITERIA,
        "suppliers": lines,
        "comparisons": [_pair(pair, called) for pair in pairs],
        "drift": drift.counts(selected),
        "inference": _inference(pairs, originals),
        "says": _says(lines, grade),
    }


_MANY = dict.fromkeys(("bias",)) | {name: [] for name in ("spread", "capability", "drift", "bond")}


def _result(row: Any) -> LotResult:
    measured = row.figures.get("measures", {})
    has_color = all(name in measured for name in VECTOR)
    return LotResult(
        row.first_inspection["accepted"] if row.first_inspection else None,
        f"grade {row.grade_id}, limits revision {row.limits}, reference revision {row.reference}",
        series.key_of(row, "color.lot_delta_e") if has_color else "",
        tuple(measured[name][0] for name in VECTOR) if has_color else None,
        measured["color.lot_delta_e"][0] if has_color else None,
    )


def _has_data(criterion: str, results: dict[int, list[LotResult]]) -> dict[int, bool]:
    if criterion == "acceptance":
        return {number: any(lot.accepted is not None for lot in lots) for number, lots in results.items()}
    return {number: any(lot.apart is not None for lot in lots) for number, lots in results.items()}


def _not_proved(rows: Sequence[Any]) -> list[int]:
    """The refused lots of which every failure lies within its uncertainty, so that nonconformity is not proved (ISO 14253-1)."""
    return [
        row.id
        for row in rows
        if row.first_inspection
        and not row.first_inspection["accepted"]
        and row.figures.get("not_proved")
        and set(row.figures["failed"]) == set(row.figures["not_proved"])
    ]


def _accepted(lots: Sequence[LotResult], not_proved: list[int]) -> dict[str, Any]:
    seen = supplier_comparison.acceptance(lots, CONFIDENCE)
    interval = seen.interval
    rate = seen.accepted / seen.inspected if seen.inspected else None
    if interval is None or rate is None:
        says = f"{seen.lots} delivered, none inspected to an end yet."
    else:
        says = f"{seen.accepted} of {counted(seen.inspected, 'lot')} accepted the first time: {100 * rate:.0f} %, between {100 * interval.low:.0f} % and {100 * interval.high:.0f} %."
    if not_proved:
        n = len(not_proved)
        says += (
            f" {counted(n, 'refused lot')} {'is' if n == 1 else 'are'} not proved to be nonconforming (ISO 14253-1)."
        )
    return {
        "lots": seen.lots,
        "inspected": seen.inspected,
        "acceptance": {
            "accepted": seen.accepted,
            "rate": rate,
            "low": interval and interval.low,
            "high": interval and interval.high,
            "method": "Wilson",
            "not_proved_lot_ids": not_proved,
            "says": says,
        },
    }


def _followed(
    originals: dict[int, list[Any]], agreed: Limits | None, grade: Any, kept: dict[tuple[int, int], Any], ties: Bridges
) -> dict[int, list[Followed]]:
    """The measures of each supplier's lots of the grade."""
    return {
        number: drift.follow(mine, kept.get((number, grade.id)), agreed, grade.nominal_diameter_mm, ties)
        for number, mine in originals.items()
    }


def _one_grade(
    results: Sequence[LotResult],
    agreed: Limits | None,
    grade: Any,
    followed: Sequence[Followed],
    drifting: Sequence[Followed],
) -> dict[str, Any]:
    """What is told of a supplier within one grade."""
    nominal = grade.nominal_diameter_mm
    # Scatter is told from the most lots read alike; where a supplier goes, from its latest.
    longest = {one.measure: max(one.parts, key=lambda part: len(part.values)) for one in followed}
    groups = {name: [_group(row, name) for row in longest[name].rows] for name in _SPREAD if name in longest}
    variances = {name: components(each, CONFIDENCE) for name, each in groups.items()}
    return {
        "bias": _bias(results),
        "spread": [{**_spread(name, variances[name], groups[name]), "read": longest[name].key} for name in variances],
        "capability": [
            made
            for name in _CAPABLE
            if name in variances
            if (made := _capability(name, variances[name], limit_on(name, agreed, nominal)))
        ],
        "drift": [_moved(signal, one) for one in drifting for signal in signals_to_report(one.analysis, one.limit)],
        "bond": [_bond(name, longest[name].values) for name in _LEVELS if name in longest],
    }


def _moved(signal: Signal, one: Followed) -> dict[str, Any]:
    about = MEASURES[one.measure]
    return {
        "measure": one.measure,
        "direction": about.more if signal.side > 0 else about.less,
        "p_value": one.analysis.p,
        "began": views.place_of(one.part, signal.began),
        "says": views.moved(signal, one.part),
    }


def _group(row: Any, measure: str) -> Group:
    value, n, ss, _ = row.figures["measures"][measure]
    return Group(n, value, ss)


def _bias(results: Sequence[LotResult]) -> dict[str, Any] | None:
    seen = supplier_comparison.bias(results, CONFIDENCE)
    if seen is None:
        return None
    dL, da, db = seen.mean
    direction = " and ".join(Components(dL, da, db, 0.0, 0.0).direction.rsplit(", ", 1))
    around = seen.ellipsoid
    if around is None:
        says = f"On average {direction}, from {counted(seen.n, 'lot')}: too few to say within what bounds."
    elif seen.zero_inside:
        says = f"No bias shown: the reference lies within what {seen.n} lots allow (on average {direction})."
    else:
        says = f"Biased: on average {direction} than the reference, over {counted(seen.n, 'lot')}."
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


def _spread(name: str, seen: Variances, groups: Sequence[Group]) -> dict[str, Any]:
    within, between = seen.within_interval, seen.between_interval
    return {
        "measure": name,
        "unit": MEASURES[name].unit,
        "lots": len(groups),
        "spools": sum(group.n for group in groups),
        "within_sd": _root(seen.within),
        "within_low": _root(within.low if within else None),
        "within_high": _root(within.high if within else None),
        "between_sd": _root(seen.between),
        "between_low": _root(between.low if between else None),
        "between_high": _root(between.high if between else None),
    }


def _capability(name: str, seen: Variances, limit: Any) -> dict[str, Any] | None:
    """Ppk from all scatter, lots and spools; Cpk from that within lots alone: what the supplier could hold if every lot came out alike."""
    if limit is None or not seen.total or not seen.total_df or not seen.mean_variance or not seen.n_effective:
        return None
    whole = capability(
        seen.grand_mean,
        seen.total**0.5,
        seen.total_df,
        seen.n_effective,
        limit.low,
        limit.high,
        CONFIDENCE,
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
            CONFIDENCE,
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


def _bond(name: str, values: Sequence[float]) -> dict[str, Any]:
    mean, interval, sd, n = lot_mean_interval(values, CONFIDENCE)
    return {
        "measure": name,
        "unit": MEASURES[name].unit,
        "mean": mean,
        "low": interval and interval.low,
        "high": interval and interval.high,
        "sd": sd,
        "n": n,
    }


def _basis(rows: Sequence[Any], originals: Sequence[Any], bought: dict[str, Any]) -> dict[str, Any]:
    """Which lots, revisions and instruments the figures rest on, so that anybody can see whether like was compared with like."""
    left_out = [row.id for row in rows if row.resubmission_of_id is not None]
    read = {key for row in originals for key in row.figures.get("sources", {}).get(COLOR.name, [])}
    return {
        "lot_ids": [row.id for row in originals],
        "resubmitted_lot_ids": left_out,
        "not_inspected_lot_ids": [row.id for row in originals if row.first_inspection is None],
        "limits_revisions": sorted({row.limits for row in originals if row.limits is not None}),
        "shade_revisions": sorted({row.reference for row in originals if row.reference is not None}),
        "read_with": sorted(read),
        "standings": dict(Counter(row.standing for row in originals)),
    }


def _inference(pairs: Sequence[supplier_comparison.Comparison], originals: dict[int, list[Any]]) -> dict[str, Any]:
    """Which promise the comparisons keep, since when, and how."""
    since = min((row.received_at for rows in originals.values() for row in rows), default=None)
    return {
        "method": "confidence sequences",
        "confidence": CONFIDENCE,
        "comparisons": len(pairs),
        "confidence_of_each": pairs[0].confidence if pairs else None,
        "valid_at_any_time": True,
        "since": since,
        "says": (
            "Intervals of differences are confidence sequences over all lots of the time asked for. They may be looked at after every lot: "
            f"the chance that any two suppliers who are alike ever differ significantly here, on any criterion, is at most {100 * (1 - CONFIDENCE):.0f} %. "
            "This holds for lots about a steady mean, and for a time chosen before the lots were seen. "
            "Every other interval, such as that of the share accepted, holds at a single look."
        ),
    }


def _pair(pair: supplier_comparison.Comparison, called: dict[int, str]) -> dict[str, Any]:
    better = {1: pair.first, 2: pair.second}.get(pair.better or 0)
    return {
        "criterion": pair.criterion,
        "first_supplier_id": pair.first,
        "second_supplier_id": pair.second,
        "difference": pair.difference,
        "low": pair.low,
        "high": pair.high,
        "better_supplier_id": better,
        "more_lots": pair.more_lots,
        "lots_first": pair.n_first,
        "lots_second": pair.n_second,
        "confidence": pair.confidence,
        "interval": "confidence sequence",
        "says": _pair_says(pair, called, better),
    }


def _pair_says(pair: supplier_comparison.Comparison, called: dict[int, str], better: int | None) -> str:
    one, two = called[pair.first], called[pair.second]
    if pair.difference is None:
        return f"{one} and {two} have no lots of the same kind to compare here."
    if better is not None:
        other = two if better == pair.first else one
        how = {
            "acceptance": "has significantly more lots accepted the first time",
            "closeness": "lies significantly nearer the reference",
            "steadiness": "is significantly steadier in colour",
        }
        return f"{called[better]} {how[pair.criterion]} than {other}."
    return f"{one} and {two}, {CRITERIA[pair.criterion]}: {supplier_comparison.open_question(pair)}."


def _says(lines: list[dict[str, Any]], grade: Any) -> str:
    of = f" of {grade.code}" if grade else ""
    if not lines:
        return f"No lot{of} was received in this time."
    if len(lines) == 1:
        return f"{lines[0]['supplier']} is the only supplier{of}: {lines[0]['acceptance']['says']}"
    first = next((line for line in lines if line["rank"] == 1), None)
    if first:
        return f"{first['supplier']} has significantly more of its lots{of} accepted the first time than any other. {first['acceptance']['says']}"
    return f"No supplier{of} has significantly more of its lots accepted than the others yet. " + " ".join(
        f"{line['supplier']}: {line['acceptance']['says']}" for line in lines
    )


def first_grade() -> int | None:
    """Returns the grade to compare suppliers by at first: one with lots of two suppliers, else one with any; None while there is no lot. One query."""
    came = lots.suppliers_by_grade()
    return next((grade for least in (2, 1) for grade, suppliers in came.items() if suppliers >= least), None)
