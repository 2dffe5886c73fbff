"""Lots in the order they came, with their figures as columns: one array per measure, over the lots that have it."""

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

    `reference` and `limits` are the numbers of the revisions that it was judged under. `sources` has the instruments of each characteristic.
    `accepted` is how its original inspection ended: for at least one use, None while that is open. `not_proved` says that every failure
    lies within its uncertainty. `uses` says for which uses that inspection accepted it; empty while it is open, and where that is not known.
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


# Arrays have no single answer to "equal?", so columns are not compared.
@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One measure over the lots that have it, oldest first.

    Args:
        at: places of these lots in the series, from 0.
        figures: a row per lot of value, sampling units behind it, sum of their squares about it, and standard uncertainty, NaN where not known.
    """

    at: Places
    figures: Array

    def part(self, start: int, stop: int) -> Column:
        """Returns some consecutive lots of it."""
        return Column(self.at[start:stop], self.figures[start:stop])


@dataclass(frozen=True, eq=False)
class LotSeries:
    """Lots, oldest first, and a column for each measure that any of them has."""

    rows: Sequence[SeriesLot]
    columns: Mapping[str, Column]

    def __len__(self) -> int:
        """How many lots there are."""
        return len(self.rows)

    def __add__(self, later: LotSeries) -> LotSeries:
        """Returns these lots and others that came later."""
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
    def read(self) -> NDArray[np.intp]:
        """What each lot was read against and with, as a number: where two are alike, so are reference and instruments."""
        import numpy as np

        known: dict[tuple[int | None, int], int] = {}
        # Lots that were read alike share their instruments.
        read = [known.setdefault((row.reference, id(row.sources)), len(known)) for row in self.rows]
        return np.asarray(read, dtype=np.intp)

    def originals(self) -> LotSeries:
        """Returns the lots that speak for the supplier's process: a lot sorted and sent again does not."""
        kept = [row.resubmission_of_id is None for row in self.rows]
        return self if all(kept) else self.by(kept).get(True, NO_LOTS)

    def by(self, keys: Sequence[_Key]) -> dict[_Key, LotSeries]:
        """Returns the lots of each key, in the order in which keys first come; work is linear in lots and figures.

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
