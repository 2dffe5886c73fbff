"""Which spools of one lot may stand in one job: those of which every two match."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e_among_each
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.limits import Limit
from lots.domain.production.matching import SpoolColor
from lots.domain.production.stock_matches import within

if TYPE_CHECKING:
    from lots.domain.colorimetry.color_difference import Array

# A colour, and by how much a spool may differ from it.
Spot = tuple[Lab, float]


@dataclass(frozen=True, slots=True)
class ShelfSpool:
    """A spool of a lot on the shelf: what stands for its colour, and how much is left of it, g."""

    color: SpoolColor
    mass_g: float


@dataclass(frozen=True, slots=True)
class ShelfLot:
    """Spools of a lot on the shelf, each with a colour, and the lot's mean."""

    mean: Lab
    spools: Sequence[ShelfSpool]

    def spots(self, limits: ColorLimits) -> list[Spot]:
        """Returns where each spool stands. Those that were not measured all stand at one spot."""
        colors = [one.color for one in self.spools]
        return [(color.lab or self.mean, color.allowance(limits)) for color in colors]


def alike(lots: Sequence[ShelfLot], most: float, limits: ColorLimits) -> list[list[ShelfSpool]]:
    """Returns for each lot those of its spools of which every two are within a limit, as much filament as two ways of choosing give.

    Spools are taken one by one where they match all that were taken: those that were not measured first, and then the nearest to the lot's
    mean; or the other way round. The way that holds more is kept. All differences of all lots are worked out at once.

    Args:
        lots: what is on the shelf.
        most: largest colour difference of two spools in one job, >= 0.
        limits: formula and weights.

    Reference:
        A greedy choice, common practice, no source: which spools would hold the most is a clique problem, and few spools of a lot are measured.
    """
    spots = [lot.spots(limits) for lot in lots]
    colors = [[lab for lab, _ in dict.fromkeys(some)] for some in spots]
    squares = delta_e_among_each(colors, limits.formula, limits.weights)
    return [_alike(*one, most, limits) for one in zip(lots, spots, squares, strict=True)]


def _alike(lot: ShelfLot, spots: Sequence[Spot], among: Array, most: float, limits: ColorLimits) -> list[ShelfSpool]:
    """Spools of one lot that stand at these spots, whose colours differ by a square: each spot once, in their order."""
    widest = max(part for _, part in spots)
    # No two differ by more; mostly all are alike.
    if Limit(None, most).allows(math.hypot(float(among.max()), widest, widest)):
        return list(lot.spools)
    once = list(dict.fromkeys(spots))
    close = dict(zip(once, _close(once, among, most), strict=True))

    def away(place: int) -> tuple[float, str]:
        lab = spots[place][0]
        return (0.0 if lab == lot.mean else limits.delta_e(lot.mean, lab), lot.spools[place].color.spool)

    colors = [one.color for one in lot.spools]
    own = [color.sd is None and color.known for color in colors]
    measured = sorted((place for place, its_own in enumerate(own) if its_own), key=away)
    others = sorted((place for place, its_own in enumerate(own) if not its_own), key=away)
    ways = [_taken(some, spots, close) for some in ([*others, *measured], [*measured, *others])]
    best = max(ways, key=lambda way: math.fsum(lot.spools[place].mass_g for place in way))
    return [lot.spools[place] for place in best]


def _taken(places: Sequence[int], spots: Sequence[Spot], close: dict[Spot, int]) -> list[int]:
    """Places of spools taken one by one where they match all before. Spools that were not measured all stand at one spot."""
    numbers = {spot: 1 << number for number, spot in enumerate(close)}
    taken, seen = [], 0
    for place in places:
        if not seen & ~close[spots[place]]:
            taken.append(place)
            seen |= numbers[spots[place]]
    return taken


def _close(spots: Sequence[Spot], among: Array, most: float) -> list[int]:
    """For each spot the spots it matches, one bit each: by the larger difference of both ways, with the allowances of both."""
    import numpy as np

    parts = np.array([part for _, part in spots]) ** 2
    return within(np.sqrt(np.maximum(among, among.T) ** 2 + parts[:, None] + parts[None, :]), most)
