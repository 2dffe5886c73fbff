"""Exact search for cliques of matching lots with enough mass: branch and bound over bit sets, within a number of steps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

# Lots to choose from, one bit per lot, and the most lots to take from them.
Pool = tuple[int, int]
# One search takes at most this part of the remaining steps, so that a hard one leaves some for the next.
_PART = 3
# The greedy search starts from at most this many lots, the heaviest.
_GUESSES = 24


@dataclass(slots=True)
class Effort:
    """Remaining steps of a search. It counts steps instead of time, so that a search has one result on every machine.

    Looking at one lot takes `weight` steps, more for longer bit sets. `gave_up` is True once a search ended without a result for lack of steps.
    """

    left: int
    weight: int = 1
    gave_up: bool = False

    def spend(self, looked_at: int) -> None:
        """Subtracts the steps for lots looked at; the count may fall below 0 by the steps of one node."""
        self.left -= looked_at * self.weight


@dataclass(slots=True)
class _Node:
    """Node of the search: mass still needed, pools, lots to branch on, and lots chosen so far."""

    need: int
    pools: list[Pool]
    branches: list[int]
    chosen: int


@dataclass(frozen=True, slots=True)
class Matches:
    """Lots by index: their masses in micrograms, and the lots that each one matches, one bit per lot."""

    masses: Sequence[int]
    near: Sequence[int]
    _apart: list[int] = field(init=False, repr=False)
    _heavy: list[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        # Lots that a lot does not match, without itself; and all lots, the heaviest first.
        object.__setattr__(self, "_apart", [~(near | 1 << lot) for lot, near in enumerate(self.near)])
        object.__setattr__(self, "_heavy", sorted(range(len(self.masses)), key=lambda lot: -self.masses[lot]))

    @property
    def everything(self) -> int:
        """All lots."""
        return (1 << len(self.masses)) - 1

    def mass(self, chosen: int) -> int:
        """Returns the micrograms in a set of lots."""
        return sum(self.masses[i] for i in bits(chosen))

    def reach(self, need: int, pools: Sequence[Pool], effort: Effort) -> int | None:
        """Returns matching lots that hold `need`, within the limit of each pool; None if there are none.

        Also returns None if the allotted steps run out; `effort.gave_up` is then set. A returned set always matches and holds enough.

        Notes:
            Branch and bound. Of lots of which no two match only one can be chosen. A partition of a pool into such groups (a greedy colouring)
            therefore bounds its mass by the sum of the heaviest of each group. Masses may be split over several groups. Where at most n lots may be
            chosen, a grant may first be subtracted from each lot and added n times to the bound. Three choices of grants are tried: none, one for all
            pools, and one per pool. A greedy guess precedes the search.
        """
        if need <= 0:
            return 0
        if effort.left <= 0:
            effort.gave_up = True
            return None
        floor = effort.left - effort.left // _PART
        if self._most(pools, effort) < need:
            return None
        root = self._node(need, list(pools), 0, effort)
        if not root.branches:
            return None
        guess = self._guess(need, root.pools, effort, floor)
        if guess is not None:
            return guess
        stack = [root]
        while stack:
            node = stack[-1]
            if not node.branches:
                stack.pop()
                continue
            if effort.left <= floor:
                effort.gave_up = True
                return None
            lot = node.branches.pop(0)
            rest = self.beside(lot, node.pools)
            node.pools = [(lots & ~(1 << lot), most) for lots, most in node.pools]
            chosen = node.chosen | 1 << lot
            if node.need <= self.masses[lot]:
                return chosen
            stack.append(self._node(node.need - self.masses[lot], rest, chosen, effort))
        return None

    def beside(self, lot: int, pools: Sequence[Pool]) -> list[Pool]:
        """Returns the pools that remain after `lot`, a member of one of them, has been chosen."""
        return [(lots & self.near[lot], most - (lots >> lot & 1)) for lots, most in pools]

    def _node(self, need: int, pools: list[Pool], chosen: int, effort: Effort) -> _Node:
        pools = [(lots, most) for lots, most in pools if lots and most]
        if need <= 0 or not pools:
            return _Node(need, pools, [], chosen)
        branches = self._branches(need, pools, (0,) * len(pools), effort)
        for grants in self._grants(pools, effort) if branches else ():
            if branches and any(grants):
                branches = min(branches, self._branches(need, pools, grants, effort), key=len)
        return _Node(need, pools, branches, chosen)

    def _grants(self, pools: Sequence[Pool], effort: Effort) -> Iterable[tuple[int, ...]]:
        """Returns the grants to try: one for all pools, and one per pool."""
        shared = self._grant(sum(lots for lots, _ in pools), sum(most for _, most in pools), effort)
        own = tuple(self._grant(lots, most, effort) for lots, most in pools) if len(pools) > 1 else (shared,)
        return dict.fromkeys(((shared,) * len(pools), own))

    def _most(self, pools: Sequence[Pool], effort: Effort) -> int:
        """Returns the largest mass that the pools could hold if all lots matched."""
        total = 0
        for lots, most in pools:
            left = min(most, lots.bit_count())
            effort.spend(len(self.masses) // 4)
            for lot in self._heavy:
                if not left:
                    break
                if lots >> lot & 1:
                    total += self.masses[lot]
                    left -= 1
        return total

    def _guess(self, need: int, pools: list[Pool], effort: Effort, floor: int) -> int | None:
        """Returns matching lots that hold `need`, found greedily; None if no guess succeeds.

        Each guess starts from a heavy lot and adds lots while they match: first in order of mass, then by the number of matches among the lots
        that match the first.
        """
        everything = sum(lots for lots, _ in pools)
        heavy = [lot for lot in self._heavy if everything >> lot & 1]
        effort.spend(len(heavy))
        for first in heavy[: _GUESSES if len(pools) == 1 else 1]:
            if effort.left <= floor:
                break
            around = self.near[first] & everything
            effort.spend(len(heavy))
            orders = [heavy]
            if len(pools) == 1:
                orders.append(sorted(bits(around), key=lambda i: -(self.near[i] & around).bit_count()))
                effort.spend(2 * len(orders[1]))
            for order in orders:
                chosen = self._filled(need, first, order, pools)
                if chosen is not None:
                    return chosen
        return None

    def _filled(self, need: int, first: int, order: Sequence[int], pools: list[Pool]) -> int | None:
        """Returns the first lot and lots that match it and each other, taken in this order, if they hold `need`."""
        chosen, free = 1 << first, self.near[first]
        need -= self.masses[first]
        room = [most - (lots >> first & 1) for lots, most in pools]
        for lot in order:
            if need <= 0:
                break
            if free >> lot & 1:
                place = next(n for n, (lots, _) in enumerate(pools) if lots >> lot & 1)
                if room[place]:
                    room[place] -= 1
                    chosen |= 1 << lot
                    free &= self.near[lot]
                    need -= self.masses[lot]
        return chosen if need <= 0 else None

    def _group(self, lots: int) -> list[int]:
        """Returns a maximal group of lots of which no two match."""
        group = []
        while lots:
            lot = (lots & -lots).bit_length() - 1
            group.append(lot)
            lots &= self._apart[lot]
        return group

    def _grant(self, lots: int, most: int, effort: Effort) -> int:
        """Returns the heaviest mass of the last of the `most` heaviest groups; 0 if all groups count or the steps run out."""
        heaviest = []
        while lots:
            group = self._group(lots)
            effort.spend(1 + len(group))
            if effort.left <= 0:
                return 0
            heaviest.append(max([self.masses[i] for i in group]))
            for i in group:
                lots ^= 1 << i
        heaviest.sort(reverse=True)
        return heaviest[most - 1] if 0 < most <= len(heaviest) else 0

    def _branches(self, need: int, pools: Sequence[Pool], grants: Sequence[int], effort: Effort) -> list[int]:
        """Returns the lots to branch on with these grants: every lot where the grants alone reach `need`."""
        rest = need - sum(grant * most for grant, (_, most) in zip(grants, pools, strict=True))
        mass = {i: self.masses[i] - grant for grant, (lots, _) in zip(grants, pools, strict=True) for i in bits(lots)}
        return self._needed(mass, rest, effort) if rest > 0 else sorted(mass, reverse=True)

    def _needed(self, mass: dict[int, int], need: int, effort: Effort) -> list[int]:
        """Returns lots of which at least one is required to reach `need`: those left when the groups have used up all but the last part.

        It may return more than that when the steps run out.
        """
        left = {i: at for i, at in mass.items() if at > 0}
        lots = 0
        for i in left:
            lots |= 1 << i
        effort.spend(len(mass))
        while lots:
            group = self._group(lots)
            effort.spend(1 + len(group))
            share = min([left[i] for i in group])
            if share >= need or effort.left <= 0:
                break
            need -= share
            for i in group:
                left[i] -= share
                if not left[i]:
                    lots ^= 1 << i
        return sorted(bits(lots), reverse=True)


def bits(lots: int) -> Iterator[int]:
    """Yields the indices of the bits that are set, smallest first."""
    while lots:
        yield (lots & -lots).bit_length() - 1
        lots &= lots - 1
