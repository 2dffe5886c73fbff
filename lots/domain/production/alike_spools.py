"""Which spools of one lot may stand in one job: those of which every two match."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e_among
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production.matching import SpoolColor
from lots.domain.production.stock_matches import within

# A colour, and by how much a spool may differ from it.
Spot = tuple[Lab | None, float]


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
        lab = one.color.lab
        return (0.0 if lab is None or lab == mean else limits.delta_e(mean, lab), one.color.spool)

    measured = sorted((one for one in spools if one.color.sd is None and one.color.known), key=away)
    others = sorted((one for one in spools if one.color.sd is not None or not one.color.known), key=away)
    spot_of = {one.color.spool: (one.color.lab, one.color.allowance(limits)) for one in spools}
    spots = list(dict.fromkeys(spot_of.values()))
    close = dict(zip(spots, _close(spots, most, limits), strict=True))
    ways = [_taken(some, spot_of, close) for some in ([*others, *measured], [*measured, *others])]
    return max(ways, key=lambda way: math.fsum(one.mass_g for one in way))


def _taken(spools: Sequence[ShelfSpool], spot_of: dict[str, Spot], close: dict[Spot, int]) -> list[ShelfSpool]:
    """Spools taken one by one where they match all before. Spools that were not measured all stand at one spot, which is compared once."""
    numbers = {spot: 1 << number for number, spot in enumerate(close)}
    taken, seen = [], 0
    for one in spools:
        spot = spot_of[one.color.spool]
        if not seen & ~close[spot]:
            taken.append(one)
            seen |= numbers[spot]
    return taken


def _close(spots: Sequence[Spot], most: float, limits: ColorLimits) -> list[int]:
    """For each spot the spots it matches, one bit each: by the larger difference of both ways, with the allowances of both."""
    import numpy as np

    labs = [lab for lab, _ in spots if lab is not None]
    places = [number for number, (lab, _) in enumerate(spots) if lab is not None]
    among = delta_e_among(labs, limits.formula, limits.weights)
    parts = np.array([spots[number][1] for number in places]) ** 2
    apart = np.full((len(spots), len(spots)), np.inf)
    apart[np.ix_(places, places)] = np.sqrt(np.maximum(among, among.T) ** 2 + parts[:, None] + parts[None, :])
    return within(apart, most)
