"""The best of all choices of lots that match and hold enough: the fewest, then the oldest; or how close the stock comes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from lots.domain.production.cliques import Effort, Matches, Pool
from lots.domain.production.stock import MICROGRAMS, StockLot
from lots.domain.production.stock_matches import near

if TYPE_CHECKING:
    from lots.domain.colorimetry.color_difference import Array


@dataclass(frozen=True, slots=True)
class Nearest:
    """How close an impossible pick can come.

    `mass_g` is the most that any lots which all match hold, `lots` the ids of the fewest, then oldest, lots that hold it, oldest first.
    `match_max` is the least limit on pairs at which the pick would be possible, unrounded; None where no limit would do.
    """

    mass_g: float
    lots: tuple[int, ...]
    match_max: float | None


def fewest(matches: Matches, need: int, found: int, effort: Effort) -> int:
    """Returns as few lots as can be that match and hold `need`; `found` is any such choice."""
    low, left = 0, found.bit_count()
    while left - low > 1:
        middle = (low + left) // 2
        fewer = matches.reach(need, [(matches.everything, middle)], effort)
        if fewer is None:
            low = middle
        else:
            found, left = fewer, fewer.bit_count()
    return found


def oldest(lots: Sequence[StockLot], matches: Matches, need: int, found: int, effort: Effort) -> list[int]:
    """Returns the oldest of the choices of as many lots as `found` that match and hold `need`, oldest first.

    Moment by moment from the oldest, how many of the lots that came then; then which of them. Each step asks only whether a choice exists
    that goes on so. As no choice of fewer lots holds enough, one that takes at most so many takes exactly so many.
    """
    left = found.bit_count()
    ages = sorted(range(len(lots)), key=lambda i: (lots[i].received_at, lots[i].id))
    younger, kept = matches.everything, 0
    pools: list[Pool] = []
    for _, same in groupby(ages, key=lambda i: lots[i].received_at):
        if not left:
            break
        moment = sum(1 << i for i in same) & younger
        younger &= ~moment
        for most in range(min(left, moment.bit_count()), (found & moment).bit_count(), -1):
            older = matches.reach(need, [*pools, (moment, most), (younger, left - most)], effort)
            if older is not None:
                found = older
                break
        most = (found & moment).bit_count()
        left -= most
        if most == 1 == moment.bit_count():
            lot = moment.bit_length() - 1
            kept |= moment
            need -= matches.masses[lot]
            younger &= matches.near[lot]
            pools = matches.beside(lot, pools)
        elif most:
            pools.append((moment, most))
    for lot in ages:
        if any(most and moment >> lot & 1 for moment, most in pools):
            rest = matches.beside(lot, pools)
            other = found if found >> lot & 1 else matches.reach(need - matches.masses[lot], rest, effort)
            if other is None:
                pools = [(moment & ~(1 << lot), most) for moment, most in pools]
            else:
                found, pools = other, rest
                kept |= 1 << lot
                need -= matches.masses[lot]
    return [lot for lot in ages if kept >> lot & 1]


def nearest(
    lots: Sequence[StockLot], matches: Matches, need: int, apart: Array | None, match_max: float | None, effort: Effort
) -> Nearest:
    """How close lots that match come. Where steps run out the mass is the most found, and the limit is one that is wide enough."""
    import numpy as np

    best = max((1 << i for i in range(len(lots))), key=matches.mass, default=0)
    while (more := matches.reach(matches.mass(best) + 1, [(matches.everything, len(lots))], effort)) is not None:
        best = more
    most = matches.mass(best)
    chosen = oldest(lots, matches, most, fewest(matches, most, best, effort), effort) if most else []
    ids = tuple(lots[i].id for i in chosen)
    wider = np.empty(0)
    if apart is not None and match_max is not None:
        pairs = apart[np.triu_indices(len(lots), 1)]
        wider = np.unique(pairs[np.isfinite(pairs) & (pairs > match_max)])
    measured = sum(lot.mass_ug for lot in lots if lot.lab is not None)
    if measured < need or not len(wider):
        return Nearest(most / MICROGRAMS, ids, None)
    low, high = 0, len(wider) - 1  # at the widest every measured lot matches every other
    while low < high:
        middle = (low + high) // 2
        at_middle = Matches(matches.masses, near(len(lots), apart, float(wider[middle])))
        if at_middle.reach(need, [(at_middle.everything, len(lots))], effort) is None:
            low = middle + 1
        else:
            high = middle
    return Nearest(most / MICROGRAMS, ids, float(wider[low]))
