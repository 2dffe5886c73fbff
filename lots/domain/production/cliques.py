"""Sets of lots that all match each other and are heavy enough: an exact search, by branch and bound over bit sets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

# Lots to choose from, one bit per lot, and how many of them at most.
Pool = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Matches:
    """Lots by number: their masses in micrograms, and for each the lots it matches, one bit per lot."""

    masses: Sequence[int]
    near: Sequence[int]

    @property
    def everything(self) -> int:
        """Every lot."""
        return (1 << len(self.masses)) - 1

    def mass(self, chosen: int) -> int:
        """Micrograms in a set of lots."""
        return sum(self.masses[i] for i in bits(chosen))

    def reach(self, need: int, pools: Sequence[Pool]) -> int | None:
        """Returns lots that all match and hold `need`, at most so many from each pool; None when there are none such.

        Branch and bound. Of a group of lots of which no two match only one can be chosen, so that a pool taken apart into groups gives at most
        the sum of their heaviest. Masses may be shared out over several groups; and where at most n may be chosen, each may first be
        made lighter by the same grant, which is then granted n times. Three choices of grants are tried, as none is always the best: none at
        all, one for all pools, one for each.
        """
        if need <= 0:
            return 0
        pools = [(lots, most) for lots, most in pools if lots and most]
        if not pools:
            return None
        shared = self._grant(sum(lots for lots, _ in pools), sum(most for _, most in pools))
        own = tuple(self._grant(lots, most) for lots, most in pools)
        trials = dict.fromkeys(((0,) * len(pools), (shared,) * len(pools), own))
        needed = min((self._branches(need, pools, grants) for grants in trials), key=len)
        for lot in needed:
            found = self.reach(need - self.masses[lot], self.beside(lot, pools))
            if found is not None:
                return found | 1 << lot
            pools = [(lots & ~(1 << lot), most) for lots, most in pools]
        return None

    def beside(self, lot: int, pools: Sequence[Pool]) -> list[Pool]:
        """What may still be chosen from each pool when `lot`, of one of them, has been."""
        return [(lots & self.near[lot], most - (lots >> lot & 1)) for lots, most in pools]

    def _groups(self, lots: int) -> Iterator[list[int]]:
        """Parts lots into groups of which no two match."""
        while lots:
            group = self._group(lots)
            yield group
            lots &= ~sum(1 << i for i in group)

    def _group(self, lots: int) -> list[int]:
        """Returns lots of which no two match and to which none can be added."""
        group = []
        while lots:
            lot = (lots & -lots).bit_length() - 1
            group.append(lot)
            lots &= ~(self.near[lot] | 1 << lot)
        return group

    def _grant(self, lots: int, most: int) -> int:
        """The heaviest of the last group that counts, where only so many of the heaviest groups do; 0 where all do."""
        heaviest = sorted((max(self.masses[i] for i in group) for group in self._groups(lots)), reverse=True)
        return heaviest[most - 1] if 0 < most <= len(heaviest) else 0

    def _branches(self, need: int, pools: Sequence[Pool], grants: Sequence[int]) -> list[int]:
        """The lots to branch on with these grants: every lot where the grants alone would reach, which tells nothing."""
        rest = need - sum(grant * most for grant, (_, most) in zip(grants, pools, strict=True))
        mass = {i: self.masses[i] - grant for grant, (lots, _) in zip(grants, pools, strict=True) for i in bits(lots)}
        return self._needed(mass, rest) if rest > 0 else sorted(mass, reverse=True)

    def _needed(self, mass: dict[int, int], need: int) -> list[int]:
        """Returns lots without any of which the others cannot reach `need`: what is left when groups have used up all but the last of it."""
        left = {i: at for i, at in mass.items() if at > 0}
        lots = sum(1 << i for i in left)
        while lots:
            group = self._group(lots)
            share = min(left[i] for i in group)
            if share >= need:
                break
            need -= share
            for i in group:
                left[i] -= share
                lots &= ~((not left[i]) << i)
        return sorted(bits(lots), reverse=True)


def bits(lots: int) -> Iterator[int]:
    """Yields the numbers of the bits that are set, smallest first."""
    while lots:
        yield (lots & -lots).bit_length() - 1
        lots &= lots - 1
