"""What the uncertainty of a colour does to a colour difference: each coordinate is moved by its own, and the formula is taken as a metric near one place."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab, mean_lab, nearest_lab
from lots.domain.statistics.length import Length
from lots.domain.statistics.summaries import Vector
from lots.domain.statistics.uncertainty import Contribution, Uncertainty

if TYPE_CHECKING:
    from lots.domain.characteristics.color.lot_color import ColorLimits


COORDINATES = ("color.L", "color.a", "color.b")


@dataclass(frozen=True, slots=True)
class ColorUncertainty:
    """How uncertain a colour is.

    Args:
        columns: of L*, a*, b*, each made of the same sources; None when nothing tells it.
        lengths: True where a colour difference is judged as the length it is, from version 4 of the rules on.
    """

    columns: tuple[Uncertainty, ...] | None
    lengths: bool = True

    @classmethod
    def known(cls, u: Vector | None, lengths: bool = True) -> ColorUncertainty:
        """Standard uncertainties per coordinate that are known; None when they are not."""
        return cls(None if u is None else tuple(map(Uncertainty.known, u)), lengths)

    @property
    def total(self) -> Vector | None:
        """Standard uncertainties of L*, a*, b*; None when unknown."""
        return None if self.columns is None else tuple(one.total for one in self.columns)

    @property
    def scatter(self) -> Vector | None:
        """The part of them that more readings reduce; None where none was seen."""
        parts = [one.scatter for one in self.columns or ()]
        return tuple(part or 0.0 for part in parts) if any(part is not None for part in parts) else None

    @property
    def df(self) -> float:
        """Fewest effective degrees of freedom of a coordinate."""
        return min((one.df for one in self.columns or ()), default=math.inf)

    def beside(self, more: Vector, source: str, df: float = math.inf) -> ColorUncertainty:
        """Returns the uncertainty of a difference to a colour that is uncertain by `more` per coordinate; unknown where this is."""
        if self.columns is None or not any(more):
            return self
        both = (
            one.beside(Uncertainty((Contribution(u, df, source),))) for one, u in zip(self.columns, more, strict=True)
        )
        return replace(self, columns=tuple(both))

    def and_of(self, other: ColorUncertainty) -> ColorUncertainty:
        """Returns the uncertainty of a difference to a colour that was measured alike; unknown where either is."""
        if self.columns is None or other.columns is None:
            return replace(self, columns=None)
        pairs = zip(self.columns, other.columns, strict=True)
        return replace(self, columns=tuple(one.beside(two) for one, two in pairs))

    def propagated(self, changes: Vector) -> Uncertainty:
        """Returns the uncertainty of a figure that changes by so much when each coordinate moves by its own standard uncertainty."""
        parts: dict[tuple[float, str, bool], list[float]] = {}
        columns = self.columns or ()
        for one, change in zip(columns, changes, strict=True):
            for part in one.contributions:
                share = part.u / one.total if one.total else 0.0
                parts.setdefault((part.df, part.source, part.shrinks), []).append(change * share)
        found = (Contribution(math.hypot(*us), *key) for key, us in parts.items())
        return Uncertainty(tuple(found))

    def of_difference(self, reference: Lab, sample: Lab, limits: ColorLimits) -> Uncertainty | Length | None:
        """Returns the uncertainty of the colour difference of a sample that is so uncertain from a reference; None when unknown."""
        total = self.total
        if total is None:
            return None
        if not self.lengths:
            return self.propagated(coordinate_shifts(reference, sample, total, limits))
        apart, metric = local_metric(reference, sample, max(total), limits)
        axes = range(len(apart))
        slopes = [math.fsum(metric[i][j] * apart[j] for j in axes) for i in axes]
        value = limits.delta_e(reference, sample)
        # A sample like its reference lies in no direction: that of the largest change counts.
        steep = [abs(slope) / value for slope in slopes] if value > 0 else [math.sqrt(metric[i][i]) for i in axes]
        along = self.propagated(tuple(slope * u for slope, u in zip(steep, total, strict=True)))
        if along.total <= 0:
            return along
        every = math.fsum(metric[i][i] * total[i] ** 2 for i in axes)
        return Length(value, along, max(1.0, every / along.total**2))


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
