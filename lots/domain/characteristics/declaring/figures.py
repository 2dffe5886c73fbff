"""What one lot adds to a series over lots: one figure per measure, with what it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """One measure of one lot, kept beside the lot, so that no series reads readings.

    `value` is what is charted. `n` counts the sampling units behind it, spools wherever spools were told apart; `ss` is the sum of
    squares of their values about their mean. `uncertainty` is a standard uncertainty, None where unknown.
    """

    value: float
    n: int
    ss: float
    uncertainty: float | None = None

    def as_list(self) -> list[float | int | None]:
        """As it is kept: [value, n, ss, uncertainty]."""
        return [self.value, self.n, self.ss, self.uncertainty]


def of_units(values: Sequence[float]) -> Figure:
    """Returns the mean of a figure of several spools; its uncertainty follows from their scatter, None for one spool."""
    n, ss = len(values), sum_of_squares(values)
    return Figure(mean(values), n, ss, math.sqrt(ss / (n * (n - 1))) if n > 1 else None)


def mean(values: Sequence[float]) -> float:
    """Returns the mean of one value or more."""
    return math.fsum(values) / len(values)


def sum_of_squares(values: Sequence[float]) -> float:
    """Returns the sum of squares of one value or more about their mean."""
    middle = mean(values)
    return math.fsum((value - middle) ** 2 for value in values)


def by_spool(readings: Iterable[Any]) -> dict[str, list[Any]]:
    """Returns readings by the spool they were taken of, in the order in which the spools come."""
    groups: dict[str, list[Any]] = {}
    for reading in readings:
        groups.setdefault(reading.spool, []).append(reading)
    return groups
