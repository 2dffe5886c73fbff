"""Spools of one lot that may be used in one job: every two match."""

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

# A colour, and the allowance for an unmeasured spool.
Spot = tuple[Lab, float]


@dataclass(frozen=True, slots=True)
class ShelfSpool:
    """A spool of a lot on the shelf: the colour that represents it, and its mass left, g."""

    color: SpoolColor
    mass_g: float


@dataclass(frozen=True, slots=True)
class ShelfLot:
    """The spools of a lot on the shelf with their colours, and the lot's mean."""

    mean: Lab
    spools: Sequence[ShelfSpool]

    def spots(self, limits: ColorLimits) -> list[Spot]:
        """Returns the colour and allowance of each spool. All unmeasured spools have the same."""
        colors = [one.color for one in self.spools]
        return [(color.lab or self.mean, color.allowance(limits)) for color in colors]


def alike(lots: Sequence[ShelfLot], most: float, limits: ColorLimits) -> list[list[ShelfSpool]]:
    """Returns for each lot spools that all match each other, by the better of two greedy choices.

    Spools are added one by one where they match all spools added before. One order has the unmeasured spools first, then those nearest to the
    lot's mean; the other has the measured spools first. The choice that holds more is kept. Differences of all lots are computed at once.

    Args:
        lots: lots on the shelf.
        most: largest colour difference of two spools in one job, >= 0.
        limits: formula and weights.

    Reference:
        A greedy choice, common practice, no source: the best choice is a clique problem, and few spools of a lot are measured.
    """
    spots = [lot.spots(limits) for lot in lots]
    colors = [[lab for lab, _ in dict.fromkeys(some)] for some in spots]
    squares = delta_e_among_each(colors, limits.formula, limits.weights)
    return [_alike(*one, most, limits) for one in zip(lots, spots, squares, strict=True)]


def _alike(lot: ShelfLot, spots: Sequence[Spot], among: Array, most: float, limits: ColorLimits) -> list[ShelfSpool]:
    """Returns the matching spools of one lot; `among` has the differences of its distinct spots in their order."""
    widest = max(part for _, part in spots)
    # Upper bound of all differences; mostly all spools match.
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
    """Returns places of spools added one by one where they match all before. All unmeasured spools share one spot."""
    numbers = {spot: 1 << number for number, spot in enumerate(close)}
    taken, seen = [], 0
    for place in places:
        if not seen & ~close[spots[place]]:
            taken.append(place)
            seen |= numbers[spots[place]]
    return taken


def _close(spots: Sequence[Spot], among: Array, most: float) -> list[int]:
    """Returns for each spot the spots it matches, one bit each, by the larger difference of both ways, with both allowances."""
    import numpy as np

    parts = np.array([part for _, part in spots]) ** 2
    return within(np.sqrt(np.maximum(among, among.T) ** 2 + parts[:, None] + parts[None, :]), most)
