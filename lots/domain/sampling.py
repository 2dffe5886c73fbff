"""How many spools to open, which ones, and whether those asked for have been measured."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

# Where no limits say otherwise. Common practice, no source: three colour plaques for deliveries of up to 24 spools.
DEFAULT_FIXED = 3


@dataclass(frozen=True, slots=True)
class Sample:
    """Spools drawn from a delivery, and how: anyone can draw the same ones again from `seed`."""

    size: int
    spool_codes: tuple[str, ...]
    seed: int
    rule: str
    says: str


def draw(spool_codes: Sequence[str], size: int, seed: int, rule: str) -> Sample:
    """Returns `size` spools drawn at random from a delivery, all of them when there are fewer.

    Each code is given the SHA-256 of "seed:code" and the lowest are taken. Every spool is as likely as another, the order in
    which they were typed does not matter, and the draw can be repeated with nothing but a hash function.

    Args:
        spool_codes: at least one code, all different.
        size: spools wanted, >= 1.
        seed: a random number from outside, recorded with the draw.
        rule: the rule that asked for this size.

    Raises:
        ValueError: no spools, or a size below 1.
    """
    if not spool_codes or size < 1:
        raise ValueError("a draw needs at least one spool and a size of at least one")
    by_hash = sorted(spool_codes, key=lambda code: hashlib.sha256(f"{seed}:{code}".encode()).digest())
    drawn = tuple(sorted(by_hash[:size]))
    count = len(spool_codes)
    if len(drawn) == count:
        says = f"Measure {'the spool' if count == 1 else f'all {count} spools'}."
    else:
        says = f"Measure {len(drawn)} of the {count} spools, drawn at random: {', '.join(drawn)}. Do not swap them for easier ones."
    return Sample(len(drawn), drawn, seed, rule, says)


def size_for(fixed: int | None, spools: int) -> tuple[int, str]:
    """Returns how many of `spools` to measure, and the rule that says so.

    Args:
        fixed: the fixed number in the limits, or None when no limits ask for one.
        spools: spools to draw from, >= 1.

    Example:
        >>> size_for(3, 24)
        (3, 'fixed: 3 per lot')
    """
    if fixed is None:
        return min(DEFAULT_FIXED, spools), f"default: {DEFAULT_FIXED}, as no limits say how many (common practice)"
    return min(fixed, spools), f"fixed: {fixed} per lot"


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many spools of a lot must be measured, and which were drawn.

    Args:
        spools_in_lot: spools received so far, over all deliveries.
        spools_required: how many must be measured, >= 1.
        drawn: codes of the spools drawn, over all deliveries.
    """

    spools_in_lot: int
    spools_required: int
    drawn: tuple[str, ...] = ()

    def lacking(self, counts: Mapping[str, int], each_min: int, what: str) -> str:
        """Returns what is still to be measured, in words; "" when the evidence is complete.

        A spool that was begun must be finished: measuring half a spool and moving on hides the other half.

        Args:
            counts: readings that count, per spool.
            each_min: readings needed on each spool, >= 1.
            what: the characteristic, for the sentence.
        """
        parts = [
            f"{each_min - n} more {what} {'reading' if each_min - n == 1 else 'readings'} on spool {spool}"
            for spool, n in sorted(counts.items())
            if n < each_min
        ]
        more = self.spools_required - len(counts)
        if more > 0:
            spools = (
                "1 more spool"
                if more == 1 and counts
                else f"{more} {'more ' if counts else ''}spool{'' if more == 1 else 's'}"
            )
            each = f"{each_min} reading{'' if each_min == 1 else 's'}" + (" each" if more > 1 else "")
            parts.append(f"{what} on {spools}{self.not_yet(counts)}, {each}")
        return "; ".join(parts)

    def not_yet(self, measured: Iterable[str]) -> str:
        """Names the drawn spools that nobody has measured, in brackets, or nothing."""
        left = [code for code in self.drawn if code not in set(measured)]
        if not left:
            return ""
        named = ", ".join(left[:10]) + (f" and {len(left) - 10} others" if len(left) > 10 else "")
        return f" ({named})"
