"""What the uncertainty of a colour does to a colour difference: each coordinate is moved by its own, and the formula is taken as a metric near one place."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab, mean_lab, nearest_lab
from lots.domain.statistics.summaries import Vector

if TYPE_CHECKING:
    from lots.domain.characteristics.color.lot_color import ColorLimits


def delta_e_uncertainty(reference: Lab, sample: Lab, u: Vector | None, limits: ColorLimits) -> float | None:
    """Returns the standard uncertainty of a colour difference whose sample is uncertain by `u` per coordinate.

    Each coordinate in turn is moved by its own uncertainty, both ways, and the larger change in the difference is taken;
    the three are combined as a root sum of squares. Near zero, where a difference has no slope, this still gives the size of
    difference that the uncertainty alone would show.

    Args:
        u: standard uncertainties of L*, a*, b* of the sample, or None when unknown.

    Reference:
        Kragten 1994, Calculating standard deviations and confidence intervals with a universally applicable spreadsheet
        technique, Analyst 119, 2161-2165 (numerical propagation; from memory). Coordinates are taken as independent.
    """
    if u is None:
        return None
    return math.sqrt(math.fsum(shift * shift for shift in coordinate_shifts(reference, sample, u, limits)))


def coordinate_shifts(reference: Lab, sample: Lab, u: Vector, limits: ColorLimits) -> Vector:
    """Returns by how much a colour difference changes when each coordinate of the sample moves by its own uncertainty, the larger way."""
    return shifts(lambda color: limits.delta_e(reference, color), sample, u)


def shifts(figure: Callable[[Lab], float], color: Lab, u: Vector) -> Vector:
    """Returns by how much any figure of a colour changes when each coordinate moves by its own uncertainty, the larger way."""
    here = figure(color)
    found = []
    for index, size in enumerate(u):
        moved = []
        for sign in (1, -1):
            point = color.as_list()
            point[index] += sign * size
            moved.append(abs(figure(nearest_lab(*point)) - here))
        found.append(max(moved))
    return tuple(found)


# Too short a step would drown in the last bits of a formula.
_LEAST_STEP = 0.01


def local_metric(reference: Lab, sample: Lab, size: float, limits: ColorLimits) -> tuple[Vector, tuple[Vector, ...]]:
    """Returns how far the sample lies from the reference, per coordinate, and the formula as a metric halfway between them.

    Near one place the square of a colour difference is a quadratic form: x * metric * x for colours that lie x apart. It is read off
    nine differences of the given size about the middle. The way to the sample is stretched so that the form gives the very difference.

    Args:
        size: length of the steps, about the standard uncertainty of a coordinate.
    """
    step = max(size, _LEAST_STEP)
    middle = mean_lab([reference, sample]).as_list()

    def squared(way: Sequence[int]) -> float:
        ends = [
            nearest_lab(*(at + sign * step / 2 * by for at, by in zip(middle, way, strict=True))) for sign in (-1, 1)
        ]
        return (limits.delta_e(*ends) / step) ** 2

    def entry(row: int, column: int) -> float:
        along, across = ([int(i == row) + sign * int(i == column) for i in range(3)] for sign in (1, -1))
        return (squared(along) - (squared(across) if row != column else 0.0)) / 4

    upper = {(row, column): entry(row, column) for row in range(3) for column in range(row, 3)}
    metric = tuple(tuple(upper[min(i, j), max(i, j)] for j in range(3)) for i in range(3))
    parts = components(reference, sample)
    apart = (parts.dL, parts.da, parts.db)
    form = math.sqrt(max(0.0, math.fsum(apart[i] * metric[i][j] * apart[j] for i in range(3) for j in range(3))))
    stretch = limits.delta_e(reference, sample) / form if form > 0 else 1.0
    return tuple(stretch * part for part in apart), metric
