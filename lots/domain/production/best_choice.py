"""The best of all choices of lots that match and hold enough: the fewest, then the oldest; or how close the stock comes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
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
    ages = sorted(range(len(lots)), key=lambda i: (lots[i].received_at, lots[i].id))
    search = _Search(matches, effort, need, found)
    search.fix_moments([sum(1 << i for i in same) for _, same in groupby(ages, key=lambda i: lots[i].received_at)])
    for lot in ages:
        search.fix_lot(lot)
    return [lot for lot in ages if search.kept >> lot & 1]


@dataclass(slots=True)
class _Search:
    """A choice that is made older step by step: `found` is one that goes on from the lots that are kept.

    `need` is what the others still have to hold. Each is of one of `pools`, which say how many lots of a moment the choice takes at most.
    """

    matches: Matches
    effort: Effort
    need: int
    found: int
    kept: int = 0
    pools: list[Pool] = field(default_factory=list)

    def fix_moments(self, moments: Sequence[int]) -> None:
        """Settles how many lots of each moment are taken, from the oldest: as many as can be."""
        left, younger = self.found.bit_count(), self.matches.everything
        for came in moments:
            if not left:
                return
            moment = came & younger
            younger &= ~moment
            most = self._most_of(moment, younger, left)
            left -= most
            if most == 1 == moment.bit_count():
                lot = moment.bit_length() - 1
                self._keep(lot, self.matches.beside(lot, self.pools))
                younger &= self.matches.near[lot]
            elif most:
                self.pools.append((moment, most))

    def _most_of(self, moment: int, younger: int, left: int) -> int:
        """The most lots of a moment that a choice can take of the `left` that it still takes; it becomes `found`."""
        for most in range(min(left, moment.bit_count()), (self.found & moment).bit_count(), -1):
            pools = [*self.pools, (moment, most), (younger, left - most)]
            older = self.matches.reach(self.need, pools, self.effort)
            if older is not None:
                self.found = older
                return most
        return (self.found & moment).bit_count()

    def fix_lot(self, lot: int) -> None:
        """Keeps a lot of a moment where a choice can, else leaves it out."""
        if not any(most and moment >> lot & 1 for moment, most in self.pools):
            return
        rest = self.matches.beside(lot, self.pools)
        other: int | None = self.found
        if not self.found >> lot & 1:
            other = self.matches.reach(self.need - self.matches.masses[lot], rest, self.effort)
        if other is None:
            self.pools = [(moment & ~(1 << lot), most) for moment, most in self.pools]
        else:
            self.found = other
            self._keep(lot, rest)

    def _keep(self, lot: int, rest: list[Pool]) -> None:
        self.kept |= 1 << lot
        self.need -= self.matches.masses[lot]
        self.pools = rest


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
