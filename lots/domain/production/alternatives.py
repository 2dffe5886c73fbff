"""Alternatives to a spool that is not clear: lots already in the job, then the closest in colour, then the oldest."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e_to_each
from lots.domain.colorimetry.color_values import Lab
from lots.domain.conformity.findings import shown
from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.production.matching import PairMatch

# The order to offer lots in: `Candidate.rank` and `Alternative.rank`.
Rank = tuple[bool, float, bool, datetime, int]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A lot in stock before its clearance is checked.

    Args:
        id, received_at, in_job, same: as in `Alternative`.
        least: lower bound of its colour difference from the lots of the job, >= 0.
    """

    id: int
    received_at: datetime
    in_job: bool = False
    same: bool = False
    least: float = 0.0

    @property
    def rank(self) -> Rank:
        """The first rank that it can have."""
        return not self.in_job, round(self.least, 2), not self.same, self.received_at, self.id


@dataclass(frozen=True, slots=True)
class Alternative:
    """A lot that may be loaded for the same use and job.

    Args:
        id: its number.
        received_at: first receipt.
        in_job: True when it is already used in the job.
        same: True when the spool that is not clear is of this lot.
        pairs: its match with each other lot of the job; empty where colour does not show.
    """

    id: int
    received_at: datetime
    in_job: bool = False
    same: bool = False
    pairs: Sequence[PairMatch] = ()

    @property
    def apart(self) -> float:
        """The largest colour difference from a lot of the job: 0 without one, infinite where one is unknown."""
        return max((math.inf if pair.delta_e is None else pair.delta_e for pair in self.pairs), default=0.0)

    @property
    def rank(self) -> Rank:
        """Its rank; colour differences are compared in hundredths, as shown."""
        return not self.in_job, round(self.apart, 2), not self.same, self.received_at, self.id


def in_turn(lots: Iterable[Candidate], look_at: Callable[[Candidate], Alternative | None]) -> Iterator[Alternative]:
    """Yields lots in order of rank, checking no more of them than necessary.

    The order is: lots used in the job, the largest colour difference from a lot of the job in hundredths, the lot of the spool that is not
    clear, the oldest.

    Args:
        lots: the lots in stock, in any order.
        look_at: returns the alternative, None where the lot may not be loaded. It is called in the order of `Candidate.rank`.

    Reference:
        Common practice, no source: a job stays on its lot, and stock is used first in, first out.
    """
    waiting: list[tuple[Rank, Alternative]] = []
    for candidate in sorted(lots, key=lambda lot: lot.rank):
        while waiting and waiting[0][0] <= candidate.rank:
            yield heapq.heappop(waiting)[1]
        found = look_at(candidate)
        if found is not None:
            heapq.heappush(waiting, (found.rank, found))
    while waiting:
        yield heapq.heappop(waiting)[1]


def why(lot: Alternative, oldest: Callable[[], datetime]) -> str:
    """Returns in words why a lot is offered.

    Args:
        oldest: returns the receipt of the oldest lot in stock; called only where it matters.
    """
    said = []
    if lot.in_job:
        said.append("Already used in this job.")
    if lot.same:
        said.append("Same lot.")
    if lot.pairs and math.isfinite(lot.apart):
        said.append(f"Colour difference from the other lots of this job: at most {shown(lot.apart)}.")
    if not said:
        said.append("Oldest lot in stock." if lot.received_at == oldest() else f"Received {lot.received_at:%Y-%m-%d}.")
    return " ".join(said)


def least_apart(
    mine: Sequence[tuple[Lab | None, ColorLimits]], in_job: Sequence[tuple[Lab, ColorLimits]]
) -> list[float]:
    """Returns for each colour a lower bound of its largest difference from the colours of a job.

    The bound is the smaller difference of both lots' formulas; 0 for a lot that was not measured.

    Args:
        mine: means of lots with their limits.
        in_job: those of the lots used in the job.
    """
    import numpy as np

    known = [place for place, (lab, _) in enumerate(mine) if lab is not None]
    rows = [lab.as_list() for lab, _ in mine if lab is not None]
    ways = [(limits.formula, limits.weights) for lab, limits in mine if lab is not None]
    found = np.zeros(len(rows))
    for lab, limits in in_job:
        theirs = (limits.formula, limits.weights)
        each = {way: delta_e_to_each(lab, rows, *way) for way in {*ways, theirs}}
        by_own = np.array([each[way][place] for place, way in enumerate(ways)])
        found = np.maximum(found, np.minimum(by_own, each[theirs]))
    # numpy may round the last bits differently from a single difference.
    least = np.zeros(len(mine))
    least[known] = np.maximum(found - BINARY_NOISE, 0.0)
    return [float(one) for one in least]
