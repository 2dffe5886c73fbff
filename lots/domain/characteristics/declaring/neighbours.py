"""Readings far from their neighbours, which need confirmation, and readings that look like copies."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.origin import origin_of

# Equal readings of a spool that look like copies. Two often agree by chance. Common practice, no source.
COPIES = 3
_NOISE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Far:
    """The criterion for a reading that is probably a typing error or another material.

    Args:
        of: converts a reading to (figure in words, value, group). Values of one figure and group are neighbours. () for no comparison.
        band: returns the range of values near a value.
        says: its width, for the documentation; "" for no comparison.
        unit: of the figures; "" for none.
        field: field that carries the warning; "" for the first.
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
    """A figure of a reading far from its neighbours: its value, and the median, number and origin of the neighbours."""

    figure: str
    value: float
    middle: float
    n: int
    of: str
    unit: str

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        where = f"the {self.n} other readings {self.of}"
        return f"{self.figure} is {self.value:g}{unit}, far from the median of {where} ({self.middle:g}{unit})"


def far_off(far: Far, new: Sequence[Any], stored: Sequence[Any]) -> list[FarOff | None]:
    """Returns for each new reading of a lot the first figure far from its neighbours, or None.

    Args:
        far: the declared criterion.
        new: readings of one list on spools of one lot.
        stored: the lot's readings of the same kind, without voided and excluded ones, with those that wait for confirmation.

    Notes:
        The neighbours are the other readings of the spool, or those of the lot where fewer than two agree. A reading is far under two
        conditions. More than half of its neighbours, and at least two, lie near their median and near one another. They also outnumber
        the reading together with the values near it. So a different spool with several readings is accepted, and two against two is no
        decision. Readings that wait for confirmation count as neighbours. Prints of another recipe and of the control spool do not.

    Reference:
        Common practice, no source; the distances are in the declarations. The median is used since a mean follows the error.
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
    """Returns the median of the others and whether a value is near it; None where the others are too few or disagree.

    Args:
        values: sorted, including the value itself.
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
    # The value itself is among those near it. Equal numbers are no majority.
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
    """Returns for each new reading the number of equal readings of its spool so far, 0 below three.

    Args:
        new: (spool, values as stored) in the order of the list.
        stored: the same for earlier readings.

    Reference:
        Common practice, no source. Coarse instruments often repeat a value, so this is only a warning.

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
