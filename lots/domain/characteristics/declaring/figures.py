"""Figures of a lot for series over lots, with their sample size and uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """One measure of one lot, stored with the lot so that a series needs no readings.

    `value` is charted. `n` is the number of sampling units, usually spools. `ss` is the sum of squares of their values about their
    mean. `uncertainty` is a standard uncertainty, None where unknown.
    """

    value: float
    n: int
    ss: float
    uncertainty: float | None = None

    def as_list(self) -> list[float | int | None]:
        """Returns the stored form: [value, n, ss, uncertainty]."""
        return [self.value, self.n, self.ss, self.uncertainty]


def of_units(values: Sequence[float]) -> Figure:
    """Returns the mean of a figure over spools with its standard error, None for one spool."""
    n, ss = len(values), sum_of_squares(values)
    return Figure(mean(values), n, ss, math.sqrt(ss / (n * (n - 1))) if n > 1 else None)


def mean(values: Sequence[float]) -> float:
    """Returns the mean of at least one value."""
    return math.fsum(values) / len(values)


def sum_of_squares(values: Sequence[float]) -> float:
    """Returns the sum of squares of at least one value about the mean."""
    middle = mean(values)
    return math.fsum((value - middle) ** 2 for value in values)


def by_spool(readings: Iterable[Any]) -> dict[str, list[Any]]:
    """Returns readings by spool, in the order of first appearance."""
    groups: dict[str, list[Any]] = {}
    for reading in readings:
        groups.setdefault(reading.spool, []).append(reading)
    return groups
