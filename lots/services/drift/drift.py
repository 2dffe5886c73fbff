"""Drift of a supplier's lots of a grade: series, baselines, charts, signals and projections."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import TypeVar

from lots.domain.assessment.limits_revision import Limits, limit_on, limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.conformity.limits import Limit
from lots.domain.drift.baseline import PROVISIONAL_FROM
from lots.domain.drift.drift_analysis import Analysis, analyse
from lots.domain.drift.lot_series import LotSeries
from lots.domain.drift.reported import Listing, Shows, listing, signals_to_report
from lots.domain.words import counted, plural
from lots.services.drift import series, signals, together, views
from lots.services.drift.series import Segment, Window
from lots.services.drift.signals import SignalView
from lots.services.errors import Fault, Invalid
from lots.services.instruments.instrument_changes import Bridges, InstrumentChange, bridges
from lots.services.lookups import found
from lots.services.views import View
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.engine.remembered import Remembered
from lots.store.tables.models import Baseline

_Key = TypeVar("_Key")


@dataclass(frozen=True, slots=True)
class Followed:
    """One measure over a supplier's lots of a grade: its stretches, the oldest first, their analyses, and its limit."""

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
    """The lots of an analysis, and those shown.

    Args:
        since, until: times of receipt between which lots are analysed, None for no bound.
        limit: most lots shown, the newest. None for as many as keep the answer below a megabyte.
        before: number below which lots are shown.
        shown_from, shown_to: times of receipt between which lots are shown. The analysis still uses all lots.
    """

    since: datetime | None = None
    until: datetime | None = None
    limit: int | None = None
    before: int | None = None
    shown_from: datetime | None = None
    shown_to: datetime | None = None

    def window(self, lots: LotSeries, measures: int) -> Window:
        """Returns the lots that are shown, with this number of measures each."""
        came = attrgetter("received_at")
        first = 1 if self.shown_from is None else bisect_left(lots.rows, self.shown_from, key=came) + 1
        end = len(lots) + 1 if self.shown_to is None else bisect_right(lots.rows, self.shown_to, key=came) + 1
        before = end if self.before is None else min(self.before, end)
        return Window.of_newest(len(lots), self.limit, before, measures).since(first)


def drift_of(
    supplier_id: int, grade_id: int, characteristic: str | None, span: LotSpan, *, rules: bool = False
) -> View:
    """Returns the drift of a characteristic, of one measure, or of all, over a supplier's lots of a grade.

    Five queries, and one more where the instrument changed. Charts and signals use all lots of the span, of which the
    newest are shown.

    Raises:
        NotFound: no such supplier or grade.
        Invalid: no such characteristic. The answer lists the known ones.
    """
    supplier, grade = found("supplier", supplier_id), found("grade", grade_id)
    measures = _measures(characteristic)
    lots = lot_series.lots_of(
        supplier_id=supplier.id, grade_id=grade.id, since=span.since, until=span.until
    ).originals()
    limits = store.newest_limits([grade.id]).get(grade.id)
    kept = store.newest_baselines(supplier_id=supplier.id, grade_id=grade.id).get((supplier.id, grade.id))
    agreed = limits_from(limits.body) if limits else None
    ties = bridges(lots.rows, agreed)
    followed = []
    for measure in measures:
        parts, limit = series.stretches(lots, measure, ties), limit_on(measure, agreed, grade.nominal_diameter_mm)
        followed.append(Followed(measure, parts, [analysed(part, kept, limit, rules=rules) for part in parts], limit))
    measured = [one for one in followed if one.parts]
    selected = select(measured)
    shown = span.window(lots, len(measured))
    told = [
        signal
        for one, listed_ in zip(measured, selected.listed, strict=True)
        for signal in _signals(one, listed=listed_)
    ]
    whole = set(VECTOR) <= set(measures)
    return {
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
        "lots_in_all": len(lots),
        "lots": [_lot_line(lots, number) for number in shown.numbers],
        "series": [_series(one, shown) for one in followed],
        "signals": [one for one in told if shown.meets(one["first"]["number"], one["last"]["number"])],
        **_analyses(followed, kept, shown),
        "marks": [mark for one in followed for mark in _marks(one)],
        "together": together.seen(series.stretches(lots, VECTOR[0], ties), kept, shown) if whole else [],
        "says": _says(f"{supplier.name}, {grade.code}", followed, told, selected) + shown.says,
    }


def _analyses(followed: Sequence[Followed], kept: Baseline | None, shown: Window) -> View:
    """Returns baseline and charts of each stretch, and trend and projection of the latest one of each measure."""
    stretches = [placed for one in followed for placed in _placed(one)]
    latest = [({"measure": one.measure, "stretch": len(one.parts)}, one) for one in followed if one.parts]
    return {
        "baseline": [{**place, **views.baseline_view(result, part, kept)} for place, part, result in stretches],
        "charts": [
            {**place, **views.chart_view(result, part, shown)}
            for place, part, result in stretches
            if result.charts is not None
        ],
        "trend": [{**place, **views.trend_view(one.analysis, one.part)} for place, one in latest],
        "projection": [{**place, **views.projection_view(one.analysis, one.part)} for place, one in latest],
    }


def follow(
    lots: LotSeries, kept: Baseline | None, agreed: Limits | None, nominal_mm: float, ties: Bridges
) -> list[Followed]:
    """Returns the measures of a supplier's lots of a grade, each with the analysis of its latest stretch.

    Args:
        lots: lots without resubmitted ones.
        kept: chosen baseline, None without one.
        agreed: limits of the grade.
        nominal_mm: nominal diameter of the grade, mm.
        ties: bridges across changes of instrument.
    """
    found_ = []
    for measure in (name for name in MEASURES if name in lots.columns):
        parts, limit = series.stretches(lots, measure, ties), limit_on(measure, agreed, nominal_mm)
        found_.append(Followed(measure, parts, [analysed(parts[-1], kept, limit)], limit))
    return found_


def select(followed: Iterable[Followed], shows: Shows = signals_to_report) -> Listing:
    """Returns the series that a list shows, at a fixed false discovery rate."""
    return listing([(one.analysis, one.limit) for one in followed], shows=shows)


def listed(followed: Mapping[_Key, Sequence[Followed]], selected: Listing) -> dict[_Key, list[Followed]]:
    """Returns the selected series by the same keys."""
    shown = iter(selected.listed)
    return {key: [one for one in mine if next(shown)] for key, mine in followed.items()}


def counts(selected: Listing) -> View:
    """Returns the numbers of series examined and listed, and the false discovery rate."""
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
            Fault("characteristic", f'"{characteristic}" has no drift series.', f"Write one of: {', '.join(known)}.")
        )
    return measures


def analysed(stretch: Segment, kept: Baseline | None, limit: Limit | None, *, rules: bool = False) -> Analysis:
    """Returns the analysis of one stretch.

    Its numbers end with the number of its last lot, so that later lots continue them.
    """
    first, unit = stretch.number(-1) - len(stretch) + 1, MEASURES[stretch.measure].unit
    # A copy, so that the cache does not keep the other figures in memory.
    values, baseline = stretch.values.copy(), series.baseline_for(stretch, kept)

    def work() -> Analysis:
        return analyse(values, baseline, limit, unit, first, rules=rules)

    return _ANALYSES.get((values.tobytes(), baseline, limit, unit, first, rules), len(values), work)


# Figures in the cache of analyses, about 0.3 kB each: 30,000 lots with six measures.
_ANALYSES: Remembered[Analysis] = Remembered(180_000)


def _lot_line(lots: LotSeries, number: int) -> View:
    row = lots.rows[number - 1]
    return {
        "number": number,
        "lot_id": row.id,
        "supplier_lot": row.supplier_lot,
        "received_at": row.received_at,
        "standing": row.standing,
    }


def _placed(one: Followed) -> Iterator[tuple[View, Segment, Analysis]]:
    """Yields each stretch with its analysis and its place in the answer."""
    for number, (part, result) in enumerate(zip(one.parts, one.results, strict=True), start=1):
        yield {"measure": one.measure, "stretch": number, "read": part.key}, part, result


def _series(one: Followed, shown: Window) -> View:
    about = MEASURES[one.measure]
    return {
        "measure": one.measure,
        "label": about.label,
        "unit": about.unit,
        "limit": one.limit.as_json() if one.limit else None,
        "points": [point for number, part in enumerate(one.parts, 1) for point in views.points(number, part, shown)],
    }


def _signals(one: Followed, *, listed: bool) -> Iterator[SignalView]:
    for number, (part, result) in enumerate(zip(one.parts, one.results, strict=True), start=1):
        latest = part is one.part
        for signal in result.signals:
            yield signals.view(signal, part, result, one.limit, stretch=number, latest=latest, listed=listed)


def _marks(one: Followed) -> Iterator[View]:
    """Yields marks where a new series starts, and where one continues across a change of instrument."""
    for number, part in enumerate(one.parts):
        if number:
            how = f" {part.began.says}" if part.began else ""
            read = [one.parts[number - 1].keys[-1], part.keys[0]]
            yield _mark(part, int(part.column.at[0]), read, f"A new series starts here.{how}", part.began)
        for (at, crossing), *read in zip(part.crossings, part.keys, part.keys[1:], strict=False):
            yield _mark(part, at, read, f"The series continues. {crossing.says}", crossing)


def _mark(part: Segment, at: int, read: Sequence[str], how: str, crossing: InstrumentChange | None) -> View:
    row = part.lots.rows[at]
    return {
        "measure": part.measure,
        "before_number": at + 1,
        "before_lot_id": row.id,
        "bridged": crossing is not None and crossing.bridged,
        "study_id": crossing.study if crossing else None,
        "says": f"From lot {row.supplier_lot} on: {read[1]}. Before: {read[0]}. {how}",
    }


def _says(who: str, followed: Sequence[Followed], told: Sequence[SignalView], selected: Listing) -> str:
    active = [signal for signal in told if signal["active"] and signal["side"]]
    # A single series reports every signal; a list only those beyond its false discovery rate.
    said = [signal["says"] for signal in active if signal["listed"] or selected.looked_at == 1]
    others = len(active) - len(said)
    left = f" {counted(others, 'further active signal' if said else 'active signal')}" if others else ""
    if others:
        left += f" {plural(others, 'is', 'are')} not listed."
    if said:
        return " ".join(said) + left
    measured = max((len(one.part) for one in followed if one.parts), default=0)
    if not measured:
        return f"{who}: no lot has been measured for this yet."
    if measured < PROVISIONAL_FROM and not active:
        return f"{who}: {counted(measured, 'lot')} measured in the same way, too few to assess drift."
    return f"{who}: no significant drift over {measured} lots.{left}"
