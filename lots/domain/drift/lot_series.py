"""Lots in order of receipt, with their figures as columns: one array per measure, over the lots that have it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.drift.control_charts import Array

    Places = NDArray[np.intp]

_Key = TypeVar("_Key")


class SeriesLot(NamedTuple):
    """A lot of a series, without its figures.

    `reference` and `limits` are the numbers of the revisions of its assessment. `sources` has the instruments of each characteristic. `accepted` is
    the outcome of its original inspection for at least one use, None while open. `not_proved` is True where every failure is within its
    uncertainty. `uses` has that outcome per use; empty while open or unknown.
    """

    id: int
    supplier_id: int
    grade_id: int
    supplier_lot: str
    standing: str
    resubmission_of_id: int | None
    reference: int | None
    limits: int | None
    received_at: datetime
    accepted: bool | None
    sources: Mapping[str, Sequence[str]]
    failed: Sequence[str]
    not_proved: bool
    uses: Mapping[str, bool] = MappingProxyType({})


# eq=False: arrays cannot be compared to one bool.
@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One measure over the lots that have it, oldest first.

    Args:
        at: indices of these lots in the series, from 0.
        figures: a row per lot of value, number of sampling units, their sum of squares about the value, and standard uncertainty; NaN if unknown.
    """

    at: Places
    figures: Array

    def part(self, start: int, stop: int) -> Column:
        """Returns consecutive lots of the column."""
        return Column(self.at[start:stop], self.figures[start:stop])


@dataclass(frozen=True, eq=False)
class LotSeries:
    """Lots, oldest first, with a column for each measure."""

    rows: Sequence[SeriesLot]
    columns: Mapping[str, Column]

    def __len__(self) -> int:
        """Returns the number of lots."""
        return len(self.rows)

    def __add__(self, later: LotSeries) -> LotSeries:
        """Returns these lots followed by later ones."""
        import numpy as np

        if not self.rows or not later.rows:
            return self if self.rows else later
        columns = dict(self.columns)
        for name, column in later.columns.items():
            at, figures = column.at + len(self.rows), column.figures
            if name in columns:
                at = np.concatenate([columns[name].at, at])
                figures = np.concatenate([columns[name].figures, figures])
            columns[name] = Column(at, figures)
        return LotSeries([*self.rows, *later.rows], columns)

    @cached_property
    def method_ids(self) -> NDArray[np.intp]:
        """Number per lot that identifies its reference and instruments: equal where both are equal."""
        import numpy as np

        known: dict[tuple[int | None, int], int] = {}
        # Lots measured alike share one `sources` object.
        ids = [known.setdefault((row.reference, id(row.sources)), len(known)) for row in self.rows]
        return np.asarray(ids, dtype=np.intp)

    def originals(self) -> LotSeries:
        """Returns the lots without resubmitted ones, which are no evidence of the supplier's process."""
        kept = [row.resubmission_of_id is None for row in self.rows]
        return self if all(kept) else self.by(kept).get(True, NO_LOTS)

    def by(self, keys: Sequence[_Key]) -> dict[_Key, LotSeries]:
        """Returns the lots of each key, in order of first appearance, in linear time.

        Args:
            keys: one per lot.
        """
        import numpy as np

        rows: dict[_Key, list[SeriesLot]] = {}
        place, groups = np.empty(len(keys), dtype=np.intp), np.empty(len(keys), dtype=np.intp)
        numbers = {key: number for number, key in enumerate(dict.fromkeys(keys))}
        for index, (key, row) in enumerate(zip(keys, self.rows, strict=True)):
            mine = rows.setdefault(key, [])
            place[index], groups[index] = len(mine), numbers[key]
            mine.append(row)
        columns: list[dict[str, Column]] = [{} for _ in numbers]
        for name, column in self.columns.items():
            of = groups[column.at]
            order = np.argsort(of, kind="stable")
            present, begins = np.unique(of[order], return_index=True)
            for group, part in zip(present.tolist(), np.split(order, begins[1:]), strict=True):
                columns[group][name] = Column(place[column.at[part]], column.figures[part])
        return {key: LotSeries(mine, columns[numbers[key]]) for key, mine in rows.items()}


NO_LOTS = LotSeries((), {})
