"""Proposal of the next reading: the same kind on the next drawn spool, then the next kind that the limits require."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Needed:
    """Readings of one kind that the limits of a lot require.

    Args:
        kind: of the readings.
        per_spool: least readings on one spool, >= 1.
        in_all: least readings of the lot, 0 where required per spool.
        spools: drawn spools to measure, >= 1; all where there are fewer.
    """

    kind: str
    per_spool: int = 1
    in_all: int = 0
    spools: int = 1


@dataclass(frozen=True, slots=True)
class Next:
    """The next kind and spool to measure, with the number of readings still required on it."""

    kind: str
    spool: str
    readings: int


def next_measurement(
    needed: Sequence[Needed], drawn: Sequence[str], counts: Mapping[tuple[str, str], int], kind: str, spool: str
) -> Next | None:
    """Returns the next measurement after an entry, None when the drawn spools are complete.

    Args:
        needed: in the order of the limits.
        drawn: the drawn spools, in the order to measure them.
        counts: (kind, spool) -> stored readings.
        kind, spool: of the entry.

    Notes:
        This is a proposal only. Stored readings may be invalid; the assessment decides.

    Reference:
        Common practice, no source: one gauge is used on spool after spool before the next one is taken.

    Example:
        >>> next_measurement([Needed("color"), Needed("diameter", spools=2)], ["A", "B"], {("diameter", "A"): 1}, "diameter", "A")
        Next(kind='diameter', spool='B', readings=1)
    """
    kinds = [one.kind for one in needed]
    start = kinds.index(kind) if kind in kinds else 0
    for one in (*needed[start:], *needed[:start]):
        begin = drawn.index(spool) if one.kind == kind and spool in drawn else 0
        order = (*drawn[begin:], *drawn[:begin])
        if (found := _lacking(one, order, counts)) is not None:
            return found
    return None


def wanted_on(needed: Needed, drawn: Sequence[str], counts: Mapping[tuple[str, str], int], spool: str) -> int:
    """Returns the readings still required on a spool; 0 for a spool that was not drawn, or where enough others are complete.

    Example:
        >>> wanted_on(Needed("color", 3, spools=2), ["A", "B"], {("color", "A"): 1}, "A")
        2
    """
    if spool not in drawn or _lacking(needed, drawn, counts) is None:
        return 0
    if needed.in_all:
        return needed.in_all - sum(counts.get((needed.kind, one), 0) for one in drawn)
    return max(0, needed.per_spool - counts.get((needed.kind, spool), 0))


def _lacking(needed: Needed, order: Sequence[str], counts: Mapping[tuple[str, str], int]) -> Next | None:
    have = {spool: counts.get((needed.kind, spool), 0) for spool in order}
    if needed.in_all and sum(have.values()) < needed.in_all and order:
        fewest = min(order, key=lambda spool: have[spool])
        return Next(needed.kind, fewest, -(-needed.in_all // min(needed.spools, len(order))))
    least = 1 if needed.in_all else needed.per_spool
    complete = sum(n >= least for n in have.values())
    if complete >= min(needed.spools, len(order)):
        return None
    # A spool with readings is completed before another is opened.
    begun = [spool for spool in order if 0 < have[spool] < least] or [spool for spool in order if not have[spool]]
    return Next(needed.kind, begun[0], least - have[begun[0]]) if begun else None
