"""Readings that lie far from their neighbours, so that somebody must confirm them, and readings that look typed several times."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.origin import origin_of

# So many equal readings of a spool look like one. Common practice, no source: two agree by chance often enough.
COPIES = 3
_NOISE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Far:
    """When a reading lies so far from its neighbours that it is a slip, or another material, before it is the lot.

    Args:
        of: a reading to (figure in words, value, group): only values of one figure and group are neighbours. () where nothing is compared.
        band: a value to the least and the most that is still near it.
        says: how far that is, for the documentation; "" where nothing is compared.
        unit: of the figures; "" for none.
        field: of the reading that is told to be far; "" for the first.
    """

    of: Callable[[Any], Sequence[tuple[str, float, tuple[Any, ...]]]] = lambda reading: ()
    band: Callable[[float], tuple[float, float]] = lambda value: (value, value)
    says: str = ""
    unit: str = ""
    field: str = ""


def within(distance: float) -> Callable[[float], tuple[float, float]]:
    """Returns the band of values that differ by at most a distance.

    Example:
        >>> within(3.0)(95.0)
        (92.0, 98.0)
    """
    return lambda value: (value - distance, value + distance)


def within_factor(factor: float, least: float = 0.0) -> Callable[[float], tuple[float, float]]:
    """Returns the band of values that differ by at most a factor, or by no more than `least`.

    Example:
        >>> within_factor(10, 0.5)(0.25)
        (-0.25, 2.5)
    """
    return lambda value: (min(value / factor, value - least), max(value * factor, value + least))


@dataclass(frozen=True, slots=True)
class FarOff:
    """A figure of a reading far from its neighbours: its value, the middle of the neighbours, how many there are, and of what."""

    figure: str
    value: float
    middle: float
    n: int
    of: str
    unit: str

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        where = f"the {self.n} other readings {self.of}"
        return f"{self.figure} is {self.value:g}{unit}, far from {self.middle:g}{unit}, the middle of {where}"


def far_off(far: Far, new: Sequence[Any], stored: Sequence[Any]) -> list[FarOff | None]:
    """Returns for each new reading of a lot the first figure that lies far from its neighbours, None where none does.

    Args:
        far: what is far, as declared.
        new: readings of one list on spools of one lot.
        stored: the lot's readings of the same kind that are neither voided nor excluded, those that wait for a confirmation among them.

    Notes:
        The neighbours are the other readings of the spool; where there are fewer than two that agree, those of the lot. A reading is far where
        the middle (median) of its neighbours has more than half of them near it, at least two, all near one another, and they are more than
        the reading together with those that are near it. So a spool that is different, read several times, is believed, and of two and two
        nobody is called the slip. A reading that waits for its own confirmation is a neighbour like any other: the third that agrees with two of
        them is no slip of typing. Prints of another recipe, and of the control spool, are no neighbours.

    Reference:
        Common practice, no source: the distances stand beside the declarations. Medians, since a mean follows the slip.
    """
    if not far.says:
        return [None] * len(new)
    by_spool: dict[tuple[Any, ...], list[float]] = {}
    by_lot: dict[tuple[Any, ...], list[float]] = {}
    seen = [(reading, _figures(far, reading)) for reading in (*stored, *new)]
    for reading, figures in seen:
        for key, _, value in figures:
            by_spool.setdefault((reading.spool, *key), []).append(value)
            by_lot.setdefault(key, []).append(value)
    for values in (*by_spool.values(), *by_lot.values()):
        values.sort()
    return [_first_far(far, reading, figures, by_spool, by_lot) for reading, figures in seen[len(stored) :]]


def _figures(far: Far, reading: Any) -> list[tuple[tuple[Any, ...], str, float]]:
    origin = origin_of(reading)
    return [((name, group, origin.test_print, origin.control), name, value) for name, value, group in far.of(reading)]


def _first_far(
    far: Far,
    reading: Any,
    figures: Sequence[tuple[tuple[Any, ...], str, float]],
    by_spool: Mapping[tuple[Any, ...], list[float]],
    by_lot: Mapping[tuple[Any, ...], list[float]],
) -> FarOff | None:
    for key, name, value in figures:
        mine, of = by_spool[(reading.spool, *key)], f"of spool {reading.spool}"
        found = _judged(far, value, mine)
        if found is None:
            mine, of = by_lot[key], "of the lot"
            found = _judged(far, value, mine)
        if found is not None and not found[1]:
            return FarOff(name, value, found[0], len(mine) - 1, of, far.unit)
    return None


def _judged(far: Far, value: float, values: list[float]) -> tuple[float, bool] | None:
    """The middle of the others and whether a value is near it; None where the others are too few, or do not agree.

    Args:
        values: sorted, the value itself among them.
    """
    n = len(values) - 1
    if n < 2:
        return None
    middle = _median_without(values, bisect_left(values, value))
    first, end = _near(far, middle, values)
    agreeing = end - first
    is_near = values[first] <= value <= values[end - 1] if agreeing else False
    if is_near:
        return (middle, True) if 2 * (agreeing - 1) > n and agreeing > 2 else None
    if agreeing < 2 or 2 * agreeing <= n or values[end - 1] > far.band(values[first])[1] + _NOISE:
        return None
    beside, past = _near(far, value, values)
    # The value itself is among those beside it. Nobody is outnumbered by as many.
    return (middle, False) if agreeing > past - beside else (middle, True)


def _near(far: Far, value: float, values: list[float]) -> tuple[int, int]:
    low, high = far.band(value)
    return bisect_left(values, low - _NOISE), bisect_right(values, high + _NOISE)


def _median_without(values: list[float], left_out: int) -> float:
    def other(place: int) -> float:
        return values[place if place < left_out else place + 1]

    n = len(values) - 1
    return other(n // 2) if n % 2 else (other(n // 2 - 1) + other(n // 2)) / 2


def copies(new: Sequence[tuple[str, Mapping[str, Any]]], stored: Sequence[tuple[str, Mapping[str, Any]]]) -> list[int]:
    """Returns for each new reading how many equal readings of its spool there are, counted up to it; 0 where they are fewer than three.

    Args:
        new: (spool, values as stored) in the order of the list.
        stored: the same of the readings that were there before.

    Reference:
        Common practice, no source. Values that an instrument shows coarsely agree often, so it is a warning only.

    Example:
        >>> copies([("S", {"d1_mm": 1.75})] * 3, [("S", {"d1_mm": 1.76})])
        [0, 0, 3]
    """
    seen: dict[tuple[str, str], int] = {}
    for spool, values in stored:
        key = (spool, _written(values))
        seen[key] = seen.get(key, 0) + 1
    found = []
    for spool, values in new:
        key = (spool, _written(values))
        seen[key] = n = seen.get(key, 0) + 1
        found.append(n if n >= COPIES else 0)
    return found


def _written(values: Mapping[str, Any]) -> str:
    return repr(sorted((name, value) for name, value in values.items() if value is not None))
