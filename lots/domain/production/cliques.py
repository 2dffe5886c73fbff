"""Sets of lots that all match each other and are heavy enough: an exact search, by branch and bound over bit sets, within a number of steps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

# Lots to choose from, one bit per lot, and how many of them at most.
Pool = tuple[int, int]
# One question takes at most this part of the steps that are left, so that a hard one leaves some for those after it.
_PART = 3
# Guesses begin with at most so many lots, the heaviest.
_GUESSES = 24


@dataclass(slots=True)
class Effort:
    """What a search may still do. It counts steps and reads no clock, so that one question has one answer on every machine.

    To look at one lot once takes `weight` steps: more where sets of lots are longer. `gave_up` is True once a question was left open for want
    of steps.
    """

    left: int
    weight: int = 1
    gave_up: bool = False

    def spend(self, looked_at: int) -> None:
        """Takes steps off for lots looked at; the count may go below 0 by what one node of the search takes."""
        self.left -= looked_at * self.weight


@dataclass(slots=True)
class _Node:
    """A place in the search: what is still needed, from which pools, the lots to branch on, and what was chosen on the way here."""

    need: int
    pools: list[Pool]
    branches: list[int]
    chosen: int


@dataclass(frozen=True, slots=True)
class Matches:
    """Lots by number: their masses in micrograms, and for each the lots it matches, one bit per lot."""

    masses: Sequence[int]
    near: Sequence[int]
    _apart: list[int] = field(init=False, repr=False)
    _heavy: list[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        # What a lot does not match, itself left out; and all lots, the heaviest first.
        object.__setattr__(self, "_apart", [~(near | 1 << lot) for lot, near in enumerate(self.near)])
        object.__setattr__(self, "_heavy", sorted(range(len(self.masses)), key=lambda lot: -self.masses[lot]))

    @property
    def everything(self) -> int:
        """Every lot."""
        return (1 << len(self.masses)) - 1

    def mass(self, chosen: int) -> int:
        """Micrograms in a set of lots."""
        return sum(self.masses[i] for i in bits(chosen))

    def reach(self, need: int, pools: Sequence[Pool], effort: Effort) -> int | None:
        """Returns lots that all match and hold `need`, at most so many from each pool; None when there are none such.

        None too where a part of the steps left was not enough to tell: `effort.gave_up` is then set. What is returned always matches and
        holds enough.

        Notes:
            Branch and bound. Of a group of lots of which no two match only one can be chosen, so that a pool taken apart into groups gives at
            most the sum of their heaviest. Masses may be shared out over several groups; and where at most n may be chosen, each may first
            be made lighter by the same grant, which is then granted n times. Three choices of grants are tried, as none is always the best:
            none at all, one for all pools, one for each. A guess is tried before the search.
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
        """What may still be chosen from each pool when `lot`, of one of them, has been."""
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
        """What the lots of each pool may be granted: as much in all pools, and in each as its own lots allow."""
        shared = self._grant(sum(lots for lots, _ in pools), sum(most for _, most in pools), effort)
        own = tuple(self._grant(lots, most, effort) for lots, most in pools) if len(pools) > 1 else (shared,)
        return dict.fromkeys(((shared,) * len(pools), own))

    def _most(self, pools: Sequence[Pool], effort: Effort) -> int:
        """The most that pools could hold if all lots matched."""
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
        """Returns lots that match and hold `need`, found without a search; None where no guess does.

        Each guess begins with a heavy lot and adds lots while they match: the heaviest first, then those first that match the most of what the
        first one matches.
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
        """The first lot and those that match it and each other, taken in this order, where they hold `need`."""
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
        """Returns lots of which no two match and to which none can be added."""
        group = []
        while lots:
            lot = (lots & -lots).bit_length() - 1
            group.append(lot)
            lots &= self._apart[lot]
        return group

    def _grant(self, lots: int, most: int, effort: Effort) -> int:
        """The heaviest of the last group that counts, where only so many of the heaviest groups do; 0 where all do, or where steps run out."""
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
        """The lots to branch on with these grants: every lot where the grants alone would reach, which tells nothing."""
        rest = need - sum(grant * most for grant, (_, most) in zip(grants, pools, strict=True))
        mass = {i: self.masses[i] - grant for grant, (lots, _) in zip(grants, pools, strict=True) for i in bits(lots)}
        return self._needed(mass, rest, effort) if rest > 0 else sorted(mass, reverse=True)

    def _needed(self, mass: dict[int, int], need: int, effort: Effort) -> list[int]:
        """Returns lots without any of which the others cannot reach `need`: what is left when groups have used up all but the last of it.

        Where steps run out it returns more than that.
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
    """Yields the numbers of the bits that are set, smallest first."""
    while lots:
        yield (lots & -lots).bit_length() - 1
        lots &= lots - 1
