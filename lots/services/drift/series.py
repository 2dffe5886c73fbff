"""Series of lots: stretches measured in the same way, and their baselines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import JUDGED, MEASURES
from lots.domain.drift.baseline import Baseline
from lots.domain.drift.color_together import ColorBaseline
from lots.domain.drift.lot_series import Column, LotSeries, SeriesLot
from lots.services.from_rows import UNNAMED
from lots.services.instruments.instrument_changes import NONE, Bridges, InstrumentChange
from lots.store.tables.models import Baseline as BaselineRow

if TYPE_CHECKING:
    from lots.domain.drift.control_charts import Array


@dataclass(frozen=True, slots=True)
class Segment:
    """Consecutive lots measured in the same way, or across bridged changes of instrument (a stretch in the API).

    Args:
        measure: a key of MEASURES.
        lots, column: all lots of the series, and the figures of this stretch.
        keys: reference and instruments of its lots, in order.
        sources: instruments of its lots.
        crossings: bridged changes, each with the place of the next lot.
        began: reason why it does not continue the stretch before, None for the first.
    """

    measure: str
    lots: LotSeries
    column: Column
    keys: Sequence[str]
    sources: Sequence[str]
    crossings: Sequence[tuple[int, InstrumentChange]]
    began: InstrumentChange | None

    def __len__(self) -> int:
        """Returns the number of lots."""
        return len(self.column.at)

    @property
    def key(self) -> str:
        """Reference and instruments of its lots."""
        return "; then ".join(self.keys)

    @property
    def values(self) -> Array:
        """The value of each lot."""
        return self.column.figures[:, 0]

    @property
    def numbers(self) -> list[int]:
        """The number of each lot, counted from 1 over the supplier's lots of the grade."""
        numbers: list[int] = (self.column.at + 1).tolist()
        return numbers

    def number(self, index: int) -> int:
        """Returns the number of one of its lots."""
        return int(self.column.at[index]) + 1

    def lot(self, index: int) -> SeriesLot:
        """Returns one of its lots."""
        return self.lots.rows[int(self.column.at[index])]


# The most lots shown.
MOST_SHOWN = 500
# The most figures shown without a limit, for an answer of one megabyte.
MOST_POINTS = 1900


@dataclass(frozen=True, slots=True)
class Window:
    """The lots that an answer shows: numbers `first` to `last` of `of`. The analysis uses all lots."""

    first: int
    last: int
    of: int

    @classmethod
    def of_newest(cls, of: int, limit: int | None, before: int | None, measures: int) -> Window:
        """Returns the newest `limit` lots with numbers below `before`.

        Args:
            of: number of all lots.
            limit: None for as many as keep the answer short.
            before: number of a lot, None for no bound.
            measures: number of measures shown of each.
        """
        if limit is None:
            limit = min(MOST_SHOWN, MOST_POINTS // max(1, measures))
        last = of if before is None else min(of, before - 1)
        return cls(max(1, last - limit + 1), last, of)

    def since(self, number: int) -> Window:
        """Returns the same lots without those before a number."""
        return replace(self, first=max(self.first, number))

    @property
    def numbers(self) -> range:
        """The numbers of these lots."""
        return range(self.first, self.last + 1)

    @property
    def says(self) -> str:
        """The sentence on the lots shown, "" for all."""
        if len(self.numbers) == self.of:
            return ""
        return f" Lots {self.first} to {self.last} of {self.of} are shown." if self.numbers else " No lot is shown."

    def within(self, part: Segment) -> slice[int, int, None]:
        """Returns the places of these lots in a stretch."""
        at = part.column.at
        return slice(int(at.searchsorted(self.first - 1)), int(at.searchsorted(self.last)))

    def meets(self, first: int, last: int) -> bool:
        """Returns whether any lot from one number to another is shown."""
        return first <= self.last and last >= self.first


def key_of(row: SeriesLot, measure: str) -> str:
    """Returns reference and instruments of a lot's figure, such as "reference revision 2, read with SPEC-1".

    Only figures with equal keys compare.

    Baselines store this text, so its words are fixed.
    """
    against = f"reference revision {row.reference}, " if MEASURES[measure].referred else ""
    return f"{against}read with {', '.join(_sources(row, measure))}"


def _sources(row: SeriesLot, measure: str) -> Sequence[str]:
    return row.sources.get(measure.partition(".")[0], [UNNAMED])


def stretches(lots: LotSeries, measure: str, bridges: Bridges = NONE) -> list[Segment]:
    """Returns the stretches of a measure over a supplier's lots of a grade, the oldest first.

    Lots without a figure are skipped.

    Args:
        lots: lots of one supplier and grade.
        measure: a key of MEASURES.
        bridges: bridges across changes of instrument, by default none.
    """
    column = lots.columns.get(measure)
    if column is None:
        return []
    begun: list[_Begun] = []
    read = lots.method_ids[column.at]
    for index in [0, *((read[1:] != read[:-1]).nonzero()[0] + 1).tolist()]:
        row = lots.rows[column.at[index]]
        key, sources = key_of(row, measure), _sources(row, measure)
        last = begun[-1] if begun else None
        if last is not None and last.keys[-1] == key:
            continue
        before = lots.rows[column.at[index - 1]] if index else None
        crossing = _crossing(last, before, row, measure, bridges)
        if last is not None and crossing is not None and crossing.bridged:
            last.crossings.append((int(column.at[index]), crossing))
        else:
            last = _Begun(index, crossing, [], [], [])
            begun.append(last)
        last.keys.append(key)
        last.sources.extend(name for name in sources if name not in last.sources)
    ends = [*(one.first for one in begun[1:]), len(column.at)]
    return [
        Segment(measure, lots, column.part(one.first, end), one.keys, one.sources, one.crossings, one.why)
        for one, end in zip(begun, ends, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Begun:
    """An incomplete stretch: the index of its first lot in the column, and the reason for its start."""

    first: int
    why: InstrumentChange | None
    keys: list[str]
    sources: list[str]
    crossings: list[tuple[int, InstrumentChange]]


def _crossing(
    last: _Begun | None, before: SeriesLot | None, row: SeriesLot, measure: str, bridges: Bridges
) -> InstrumentChange | None:
    """Returns the change of instrument before a lot, None without one, or where the reference changed."""
    if last is None or before is None or (MEASURES[measure].referred and before.reference != row.reference):
        return None
    return bridges.across(measure.partition(".")[0], last.sources, _sources(row, measure))


def color_rows(stretch: Segment) -> Array:
    """Returns dL*, da*, db* of each lot of a colour stretch."""
    import numpy as np

    columns = [stretch.lots.columns[name] for name in VECTOR]
    places = [np.searchsorted(column.at, stretch.column.at) for column in columns]
    return np.column_stack([column.figures[at, 0] for column, at in zip(columns, places, strict=True)])


def baseline_for(stretch: Segment, kept: BaselineRow | None) -> Baseline | None:
    """Returns the chosen baseline of a stretch, None where none was chosen for lots measured in this way."""
    figure = None if kept is None else kept.figures["measures"].get(stretch.measure)
    if kept is None or figure is None or figure["key"] not in (None, *stretch.keys):
        return None
    named = set(kept.lot_ids) if figure["n"] else set()
    own = tuple(index for index in range(len(stretch)) if stretch.lot(index).id in named) if named else ()
    return Baseline(figure["mean"], figure["sigma"], figure["n"], chosen=True, sd=figure.get("sd"), own=own)


def color_baseline_for(stretch: Segment, kept: BaselineRow | None) -> ColorBaseline | None:
    """Returns the chosen colour baseline of a stretch, None where none was chosen for lots measured in this way."""
    whole = None if kept is None else kept.figures.get("color")
    if whole is None or whole["key"] not in stretch.keys:
        return None
    return ColorBaseline(tuple(whole["mean"]), tuple(map(tuple, whole["covariance"])), whole["n"], chosen=True)


def measures_of(characteristic: str) -> list[str]:
    """Returns the measures of a characteristic, or the named measure; empty for an unknown name."""
    name = characteristic
    if characteristic in JUDGED:
        name = JUDGED[characteristic].follows or characteristic
    return [measure for measure in MEASURES if name in (measure, measure.partition(".")[0])]
