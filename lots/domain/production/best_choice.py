"""The best choice of matching lots that hold enough: the fewest, then the oldest; or the nearest that the stock allows."""

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
    """The nearest that an impossible pick can come.

    `mass_g` is the largest mass of lots that all match. `lots` are the ids of the fewest, then oldest, lots that hold it, oldest first.
    `match_max` is the smallest limit on pairs at which the pick would be possible, unrounded; None where no limit suffices.
    """

    mass_g: float
    lots: tuple[int, ...]
    match_max: float | None


def fewest(matches: Matches, need: int, found: int, effort: Effort) -> int:
    """Returns the smallest number of matching lots that hold `need`; `found` is any such choice."""
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
    """Returns the oldest choice of as many matching lots as `found` that hold `need`, oldest first.

    It fixes the number of lots of each receipt time from the oldest on, then the lots. Each step only asks whether a choice exists with the
    lots fixed so far. As no choice of fewer lots holds enough, "at most n lots" is the same as "exactly n lots".
    """
    ages = sorted(range(len(lots)), key=lambda i: (lots[i].received_at, lots[i].id))
    search = _Search(matches, effort, need, found)
    search.fix_moments([sum(1 << i for i in same) for _, same in groupby(ages, key=lambda i: lots[i].received_at)])
    for lot in ages:
        search.fix_lot(lot)
    return [lot for lot in ages if search.kept >> lot & 1]


@dataclass(slots=True)
class _Search:
    """Stepwise search for the oldest choice: `found` is a choice that contains the lots kept so far.

    `need` is the mass still required. Each further lot is of one of `pools`, which limit the lots per receipt time.
    """

    matches: Matches
    effort: Effort
    need: int
    found: int
    kept: int = 0
    pools: list[Pool] = field(default_factory=list)

    def fix_moments(self, moments: Sequence[int]) -> None:
        """Fixes the number of lots of each receipt time, from the oldest, as large as possible."""
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
        """Returns the most lots of one receipt time in a choice of `left` more lots, and stores that choice in `found`."""
        for most in range(min(left, moment.bit_count()), (self.found & moment).bit_count(), -1):
            pools = [*self.pools, (moment, most), (younger, left - most)]
            older = self.matches.reach(self.need, pools, self.effort)
            if older is not None:
                self.found = older
                return most
        return (self.found & moment).bit_count()

    def fix_lot(self, lot: int) -> None:
        """Keeps a lot if a choice with it exists, else leaves it out."""
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
    """Returns the nearest that matching lots come. If steps run out, the mass is the largest found and the limit is sufficient."""
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
