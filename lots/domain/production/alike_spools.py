"""Which spools of one lot may stand in one job: those of which every two match."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.production.matching import SpoolColor


@dataclass(frozen=True, slots=True)
class ShelfSpool:
    """A spool of a lot on the shelf: what stands for its colour, and how much is left of it, g."""

    color: SpoolColor
    mass_g: float


def alike(spools: Sequence[ShelfSpool], mean: Lab, most: float, limits: ColorLimits) -> list[ShelfSpool]:
    """Returns spools of a lot of which every two are within a limit, as much filament as two ways of choosing give.

    Spools are taken one by one where they match all that were taken: those that were not measured first, and then the nearest to the lot's
    mean; or the other way round. The way that holds more is kept.

    Args:
        spools: of one lot, each with a colour.
        mean: of the lot.
        most: largest colour difference of two spools in one job, >= 0.
        limits: formula and weights.

    Reference:
        A greedy choice, common practice, no source: which spools would hold the most is a clique problem, and few spools of a lot are measured.
    """

    def away(one: ShelfSpool) -> tuple[float, str]:
        return (0.0 if one.color.lab is None else limits.delta_e(mean, one.color.lab), one.color.spool)

    measured = sorted((one for one in spools if one.color.sd is None and one.color.known), key=away)
    others = sorted((one for one in spools if one.color.sd is not None or not one.color.known), key=away)
    ways = [_taken(some, most, limits) for some in ([*others, *measured], [*measured, *others])]
    return max(ways, key=lambda way: math.fsum(one.mass_g for one in way))


def _taken(spools: Sequence[ShelfSpool], most: float, limits: ColorLimits) -> list[ShelfSpool]:
    taken: list[ShelfSpool] = []
    seen: set[tuple[Lab | None, float]] = set()
    for one in spools:
        here = (one.color.lab, one.color.allowance(limits))
        # Spools that were not measured are all compared alike.
        if all(Limit(None, most).allows(_apart(here, there, limits)) for there in seen):
            taken.append(one)
            seen.add(here)
    return taken


def _apart(one: tuple[Lab | None, float], other: tuple[Lab | None, float], limits: ColorLimits) -> float:
    """The larger difference of both ways, with the allowances of both."""
    if one[0] is None or other[0] is None:
        return math.inf
    between = max(limits.delta_e(one[0], other[0]), limits.delta_e(other[0], one[0]))
    return math.hypot(between, one[1], other[1])
