"""Propagation of the uncertainty of a colour to a colour difference."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.colorimetry.color_difference import components
from lots.domain.colorimetry.color_values import Lab, mean_lab, nearest_lab
from lots.domain.statistics.summaries import Vector
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.length import Length

if TYPE_CHECKING:
    from lots.domain.characteristics.color.lot_color import ColorLimits


COORDINATES = ("color.L", "color.a", "color.b")


@dataclass(frozen=True, slots=True)
class ColorUncertainty:
    """The uncertainty of a colour.

    Args:
        columns: of L*, a*, b*, each with the same sources; None when unknown.
        lengths: True where a colour difference is assessed as a length, from version 4 of the rules on.
    """

    columns: tuple[Uncertainty, ...] | None
    lengths: bool = True

    @classmethod
    def known(cls, u: Vector | None, lengths: bool = True) -> ColorUncertainty:
        """Returns known standard uncertainties per coordinate; None: unknown."""
        return cls(None if u is None else tuple(map(Uncertainty.known, u)), lengths)

    @property
    def total(self) -> Vector | None:
        """The standard uncertainties of L*, a*, b*; None when unknown."""
        return None if self.columns is None else tuple(one.total for one in self.columns)

    @property
    def scatter(self) -> Vector | None:
        """The standard uncertainties that more readings reduce; None without any."""
        parts = [one.scatter for one in self.columns or ()]
        return tuple(part or 0.0 for part in parts) if any(part is not None for part in parts) else None

    @property
    def df(self) -> float:
        """The fewest effective degrees of freedom of a coordinate."""
        return min((one.df for one in self.columns or ()), default=math.inf)

    def beside(self, more: Vector, source: str, df: float = math.inf) -> ColorUncertainty:
        """Returns the uncertainty of a difference from a colour with the uncertainty `more` per coordinate; unknown where this is."""
        if self.columns is None or not any(more):
            return self
        both = (
            one.beside(Uncertainty((Contribution(u, df, source),))) for one, u in zip(self.columns, more, strict=True)
        )
        return replace(self, columns=tuple(both))

    def and_of(self, other: ColorUncertainty) -> ColorUncertainty:
        """Returns the uncertainty of a difference from another measured colour; unknown where either is."""
        if self.columns is None or other.columns is None:
            return replace(self, columns=None)
        pairs = zip(self.columns, other.columns, strict=True)
        return replace(self, columns=tuple(one.beside(two) for one, two in pairs))

    def propagated(self, changes: Vector) -> Uncertainty:
        """Returns the uncertainty of a figure, given its change when each coordinate moves by its own standard uncertainty."""
        parts: dict[tuple[float, str, bool], list[float]] = {}
        columns = self.columns or ()
        for one, change in zip(columns, changes, strict=True):
            for part in one.contributions:
                share = part.u / one.total if one.total else 0.0
                parts.setdefault((part.df, part.source, part.shrinks), []).append(change * share)
        found = (Contribution(math.hypot(*us), *key) for key, us in parts.items())
        return Uncertainty(tuple(found))

    def of_difference(self, reference: Lab, sample: Lab, limits: ColorLimits) -> Uncertainty | Length | None:
        """Returns the uncertainty of the colour difference between a sample with this uncertainty and a reference; None when unknown."""
        total = self.total
        if total is None:
            return None
        if not self.lengths:
            return self.propagated(coordinate_shifts(reference, sample, total, limits))
        apart, metric = local_metric(reference, sample, max(total), limits)
        axes = range(len(apart))
        slopes = [math.fsum(metric[i][j] * apart[j] for j in axes) for i in axes]
        value = limits.delta_e(reference, sample)
        # A sample equal to its reference has no direction, so the steepest one counts.
        steep = [abs(slope) / value for slope in slopes] if value > 0 else [math.sqrt(metric[i][i]) for i in axes]
        along = self.propagated(tuple(slope * u for slope, u in zip(steep, total, strict=True)))
        if along.total <= 0:
            return along
        every = math.fsum(metric[i][i] * total[i] ** 2 for i in axes)
        return Length(value, along, max(1.0, every / along.total**2))


def delta_e_uncertainty(reference: Lab, sample: Lab, u: Vector | None, limits: ColorLimits) -> float | None:
    """Returns the standard uncertainty of a colour difference for the uncertainties `u` of the sample's coordinates.

    Each coordinate in turn is shifted by its own uncertainty, both ways, and the larger change of the difference counts. The three
    are added in quadrature. Near zero, where a difference has no slope, the result is the difference due to the uncertainty alone.

    Args:
        reference, sample: the two colours.
        u: standard uncertainties of L*, a*, b* of the sample, or None when unknown.
        limits: limits that define the colour difference.

    Reference:
        Kragten 1994, Calculating standard deviations and confidence intervals with a universally applicable spreadsheet
        technique, Analyst 119, 2161-2165 (numerical propagation; from memory). Coordinates are taken as independent.
    """
    if u is None:
        return None
    return math.sqrt(math.fsum(shift * shift for shift in coordinate_shifts(reference, sample, u, limits)))


def coordinate_shifts(reference: Lab, sample: Lab, u: Vector, limits: ColorLimits) -> Vector:
    """Returns the larger change of a colour difference when each coordinate of the sample moves by its uncertainty either way."""
    return shifts(lambda color: limits.delta_e(reference, color), sample, u)


def shifts(figure: Callable[[Lab], float], color: Lab, u: Vector) -> Vector:
    """Returns the larger change of a figure of a colour when each coordinate moves by its uncertainty either way."""
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


# Shorter steps would suffer from rounding errors.
_LEAST_STEP = 0.01


def local_metric(reference: Lab, sample: Lab, size: float, limits: ColorLimits) -> tuple[Vector, tuple[Vector, ...]]:
    """Returns the coordinate differences of the sample from the reference, and the metric of the formula halfway between them.

    Near one colour the square of a colour difference is a quadratic form, x * metric * x for coordinate differences x. It is computed from
    nine differences of the given size about the middle. The coordinate differences are scaled so that the form gives the exact difference.

    Args:
        reference, sample: the two colours.
        size: length of the steps, about the standard uncertainty of a coordinate.
        limits: limits that define the colour difference.
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
