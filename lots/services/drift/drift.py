"""How a supplier's lots of a grade move: series, baselines, charts, signals and what comes next, in the words of whoever asks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.limits import Limit
from lots.domain.drift.baseline import PROVISIONAL_FROM
from lots.domain.drift.color_together import together
from lots.domain.drift.drift_analysis import Analysis, analyse
from lots.domain.drift.reported import Listing, listing
from lots.domain.words import counted
from lots.services.drift import series, views
from lots.services.drift.series import Segment
from lots.services.errors import Fault, Invalid
from lots.services.instruments.instrument_changes import Bridges, InstrumentChange, bridges
from lots.services.lookups import found
from lots.store.drift import series as store


@dataclass(frozen=True, slots=True)
class Followed:
    """One measure over a supplier's lots of a grade: its stretches, oldest first, analyses of the latest or of all, and its limit."""

    measure: str
    parts: Sequence[Segment]
    results: Sequence[Analysis]
    limit: Limit | None

    @property
    def part(self) -> Segment:
        """The latest stretch."""
        return self.parts[-1]

    @property
    def analysis(self) -> Analysis:
        """The analysis of the latest stretch."""
        return self.results[-1]


@dataclass(frozen=True, slots=True)
class LotSpan:
    """Which lots are followed: received from `since` up to `until`, all where both are None."""

    since: datetime | None = None
    until: datetime | None = None


def drift_of(
    supplier_id: int, grade_id: int, characteristic: str | None, span: LotSpan, *, rules: bool = False
) -> dict[str, Any]:
    """Returns the drift of a characteristic, of one measure of it, or of all, over a supplier's lots of a grade.

    Five queries, however many lots, and one more where their instrument changed.

    Raises:
        NotFound: no such supplier or grade.
        Invalid: no such characteristic; the answer lists those there are.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    measures = _measures(characteristic)
    rows = series.originals(
        store.lots_of(supplier_id=supplier.id, grade_id=grade.id, since=span.since, until=span.until)
    )
    limits = store.newest_limits([grade.id]).get(grade.id)
    kept = store.newest_baselines(supplier_id=supplier.id, grade_id=grade.id).get((supplier.id, grade.id))
    agreed = limits_from(limits.body) if limits else None
    ties = bridges(rows, agreed)
    followed = []
    for measure in measures:
        parts, limit = series.stretches(rows, measure, ties), limit_on(measure, agreed, grade.nominal_diameter_mm)
        results = [analysed(part, kept, limit, rules=rules) for part in parts]
        followed.append(Followed(measure, parts, results, limit))
    selected = select(one for one in followed if one.parts)
    answer: dict[str, Any] = {
        "supplier_id": supplier.id,
        "supplier": supplier.name,
        "grade_id": grade.id,
        "grade": grade.code,
        "characteristic": characteristic,
        "limits_revision": limits and limits.revision,
        "baseline_revision": kept and kept.revision,
        "run_rules": rules,
        "error_rates": views.error_rates(rules=rules),
        **counts(selected),
        "lots": [_lot_line(number, row) for number, row in enumerate(rows, start=1)],
        **{
            part: [] for part in ("series", "baseline", "charts", "signals", "trend", "projection", "marks", "together")
        },
    }
    listed = iter(selected.listed)
    for one in followed:
        _add_measure(answer, one, kept, listed=bool(one.parts) and next(listed))
    if len(VECTOR) <= len(set(VECTOR) & set(measures)):
        _add_together(answer, series.stretches(rows, VECTOR[0], ties), kept)
    return {**answer, "says": _says(answer)}


def follow(rows: Sequence[Any], kept: Any, agreed: Limits | None, nominal_mm: float, ties: Bridges) -> list[Followed]:
    """Returns the measures that a supplier's lots of a grade have, each with the analysis of its latest stretch.

    Args:
        rows: the lots in order, without those sorted and sent again.
        kept: the chosen baseline, None where there is none.
        agreed: the grade's limits.
        nominal_mm: the grade's nominal diameter, mm.
        ties: the changes of instrument that are bridged.
    """
    found_ = []
    for measure in MEASURES:
        if parts := series.stretches(rows, measure, ties):
            limit = limit_on(measure, agreed, nominal_mm)
            found_.append(Followed(measure, parts, [analysed(parts[-1], kept, limit)], limit))
    return found_


def select(followed: Iterable[Followed]) -> Listing:
    """Returns which of these series a list shows, so that of those on average at most a stated share is steady."""
    return listing([(one.analysis, one.limit) for one in followed])


def counts(selected: Listing) -> dict[str, Any]:
    """Returns how many series a list looked at, how many it lists, and the share of those that may be steady on average."""
    return {
        "series_looked_at": selected.looked_at,
        "series_listed": selected.count,
        "false_discovery_rate": selected.rate,
    }


def _measures(characteristic: str | None) -> list[str]:
    measures = series.measures_of(characteristic) if characteristic else list(MEASURES)
    if not measures:
        known = [*dict.fromkeys(name.partition(".")[0] for name in MEASURES), *MEASURES]
        raise Invalid(
            Fault(
                "characteristic", f'"{characteristic}" is not followed over lots.', f"Write one of: {', '.join(known)}."
            )
        )
    return measures


def _lot_line(number: int, row: Any) -> dict[str, Any]:
    return {
        "number": number,
        "lot_id": row.id,
        "supplier_lot": row.supplier_lot,
        "received_at": row.received_at,
        "standing": row.standing,
    }


def analysed(stretch: Segment, kept: Any, limit: Limit | None, *, rules: bool = False) -> Analysis:
    """Returns the analysis of one stretch, numbered so that the lots to come count on from its last."""
    first = stretch.numbers[-1] - len(stretch.numbers) + 1
    unit = MEASURES[stretch.measure].unit
    return analyse(stretch.values, series.baseline_for(stretch, kept), limit, unit, first, rules=rules)


def _add_measure(answer: dict[str, Any], one: Followed, kept: Any, *, listed: bool) -> None:
    about, measure, parts, limit = MEASURES[one.measure], one.measure, one.parts, one.limit
    answer["series"].append(
        {
            "measure": measure,
            "label": about.label,
            "unit": about.unit,
            "limit": limit.as_json() if limit else None,
            "points": [point for number, part in enumerate(parts, 1) for point in _points(number, part)],
        }
    )
    for number, (part, result) in enumerate(zip(parts, one.results, strict=True), start=1):
        place = {"measure": measure, "stretch": number, "read": part.key}
        answer["baseline"].append({**place, **views.baseline_view(result, part, kept)})
        if result.charts is not None:
            answer["charts"].append({**place, **views.chart_view(result, part)})
        latest = number == len(parts)
        answer["signals"] += [
            {**place, **views.signal_view(signal, part, result, limit, latest=latest, listed=listed)}
            for signal in result.signals
        ]
        answer["marks"] += _marks(measure, parts[number - 2] if number > 1 else None, part)
    if parts:
        place = {"measure": measure, "stretch": len(parts)}
        answer["trend"].append({**place, **views.trend_view(one.analysis, one.part)})
        answer["projection"].append({**place, **views.projection_view(one.analysis, one.part)})


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


def _add_together(answer: dict[str, Any], parts: Sequence[Segment], kept: Any) -> None:
    """Colour as a whole, by Hotelling's T2."""
    for number, part in enumerate(parts, start=1):
        whole = together(series.color_rows(part), series.color_baseline_for(part, kept))
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
        **views.place_of(part, index),
        "contributions": dict(zip(("dL", "da", "db"), parts, strict=True)),
        "driven_by": [name for name, _, _ in named],
        "says": f"Lot {part.rows[index].supplier_lot} is unusual in colour as a whole, mostly by {' and '.join(MEASURES[name].label for name, _, _ in named)}.",
    }


def _says(answer: dict[str, Any]) -> str:
    active = [signal for signal in answer["signals"] if signal["active"] and signal["side"]]
    who, looked_at = f"{answer['supplier']}, {answer['grade']}", answer["series_looked_at"]
    latest = [[p for p in line["points"] if p["stretch"] == line["points"][-1]["stretch"]] for line in answer["series"]]
    measured = max(map(len, latest), default=0)
    # Of one series everything is told; of many, what is more than chance among so many.
    told = [signal for signal in active if signal["listed"] or looked_at == 1]
    others = len(active) - len(told)
    signals = "signal is" if others == 1 else "signals are"
    left = f" {others} {'further ' if told else ''}active {signals} not listed." if others else ""
    if told:
        return " ".join(f"{signal['says']}" for signal in told) + left
    if not measured:
        return f"{who}: no lot was measured for this yet."
    if measured < PROVISIONAL_FROM and not active:
        return f"{who}: {counted(measured, 'lot')} read alike, too few to say how they drift."
    return f"{who}: no drift shown over {measured} lots.{left}"
