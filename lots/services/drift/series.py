"""Lots as the domain's series: stretches of lots read alike, and the baseline each is charted against."""

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
    """Consecutive lots with a figure of one measure, all read alike, or across a change of instrument that retained plaques bridge.

    `keys` say against and with what its lots were read, in order. `crossings` are the bridged changes, each with the place of the lot it comes
    before; `began` is why it does not go on from the stretch before, None for the first.
    """

    measure: str
    lots: LotSeries
    column: Column
    keys: Sequence[str]
    sources: Sequence[str]
    crossings: Sequence[tuple[int, InstrumentChange]]
    began: InstrumentChange | None

    def __len__(self) -> int:
        """How many lots it has."""
        return len(self.column.at)

    @property
    def key(self) -> str:
        """What its lots were read against and with."""
        return "; then ".join(self.keys)

    @property
    def values(self) -> Array:
        """The value of each lot."""
        return self.column.figures[:, 0]

    @property
    def numbers(self) -> list[int]:
        """The number of each lot; a supplier's lots of the grade count from 1."""
        numbers: list[int] = (self.column.at + 1).tolist()
        return numbers

    def number(self, index: int) -> int:
        """Returns the number of one of its lots."""
        return int(self.column.at[index]) + 1

    def lot(self, index: int) -> SeriesLot:
        """Returns one of its lots."""
        return self.lots.rows[int(self.column.at[index])]


# So many of the newest lots are shown at most.
MOST_SHOWN = 500
# Where nobody asks for a number of lots, so many figures of them are shown at most: an answer of one megabyte.
MOST_POINTS = 1900


@dataclass(frozen=True, slots=True)
class Window:
    """The lots that an answer shows: numbers `first` to `last` of `of`. What is worked out rests on all of them."""

    first: int
    last: int
    of: int

    @classmethod
    def of_newest(cls, of: int, limit: int | None, before: int | None, measures: int) -> Window:
        """Returns the newest `limit` lots with numbers below `before`, below any where that is None.

        Args:
            of: lots in all.
            limit: None for as many as keep the answer short.
            before: a number of a lot.
            measures: that are shown of each.
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
        """Which lots are shown, nothing where all are."""
        if len(self.numbers) == self.of:
            return ""
        return f" Lots {self.first} to {self.last} of {self.of} are shown." if self.numbers else " No lot is shown."

    def within(self, part: Segment) -> slice[int, int, None]:
        """Returns where in a stretch these lots are."""
        at = part.column.at
        return slice(int(at.searchsorted(self.first - 1)), int(at.searchsorted(self.last)))

    def meets(self, first: int, last: int) -> bool:
        """Whether any lot from one number to another is shown."""
        return first <= self.last and last >= self.first


def key_of(row: SeriesLot, measure: str) -> str:
    """Returns what a lot's figure was read against and with, such as "reference revision 2, read with SPEC-1": only like figures compare."""
    against = f"reference revision {row.reference}, " if MEASURES[measure].referred else ""
    return f"{against}read with {', '.join(_sources(row, measure))}"


def _sources(row: SeriesLot, measure: str) -> Sequence[str]:
    return row.sources.get(measure.partition(".")[0], [UNNAMED])


def stretches(lots: LotSeries, measure: str, bridges: Bridges = NONE) -> list[Segment]:
    """Returns the stretches of a measure over a supplier's lots of a grade, oldest first. Lots without a figure are passed over.

    Args:
        lots: of one supplier and grade.
        measure: a key of MEASURES.
        bridges: the changes of instrument that retained plaques read on both bridge under the grade's limits; by default none.
    """
    column = lots.columns.get(measure)
    if column is None:
        return []
    begun: list[_Begun] = []
    read = lots.read[column.at]
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
    """A stretch that is being put together: the index of its first lot in the column, and why it begins."""

    first: int
    why: InstrumentChange | None
    keys: list[str]
    sources: list[str]
    crossings: list[tuple[int, InstrumentChange]]


def _crossing(
    last: _Begun | None, before: SeriesLot | None, row: SeriesLot, measure: str, bridges: Bridges
) -> InstrumentChange | None:
    """What is known of a change from the stretch before to this lot; None where there is none, or where the reference changed."""
    if last is None or before is None or (MEASURES[measure].referred and before.reference != row.reference):
        return None
    return bridges.across(measure.partition(".")[0], last.sources, _sources(row, measure))


def color_rows(stretch: Segment) -> Array:
    """dL*, da*, db* of each lot of a colour stretch."""
    import numpy as np

    columns = [stretch.lots.columns[name] for name in VECTOR]
    places = [np.searchsorted(column.at, stretch.column.at) for column in columns]
    return np.column_stack([column.figures[at, 0] for column, at in zip(columns, places, strict=True)])


def baseline_for(stretch: Segment, kept: BaselineRow | None) -> Baseline | None:
    """The chosen baseline of a stretch, or None where none was chosen for lots read as these were."""
    figure = None if kept is None else kept.figures["measures"].get(stretch.measure)
    if kept is None or figure is None or figure["key"] not in (None, *stretch.keys):
        return None
    named = set(kept.lot_ids) if figure["n"] else set()
    own = tuple(index for index in range(len(stretch)) if stretch.lot(index).id in named) if named else ()
    return Baseline(figure["mean"], figure["sigma"], figure["n"], chosen=True, sd=figure.get("sd"), own=own)


def color_baseline_for(stretch: Segment, kept: BaselineRow | None) -> ColorBaseline | None:
    """The same for colour as a whole."""
    whole = None if kept is None else kept.figures.get("color")
    if whole is None or whole["key"] not in stretch.keys:
        return None
    return ColorBaseline(tuple(whole["mean"]), tuple(map(tuple, whole["covariance"])), whole["n"], chosen=True)


def measures_of(characteristic: str) -> list[str]:
    """Returns the measures of a characteristic, or the one that is named; empty when it is neither."""
    name = characteristic
    if characteristic in JUDGED:
        name = JUDGED[characteristic].follows or characteristic
    return [measure for measure in MEASURES if name in (measure, measure.partition(".")[0])]
