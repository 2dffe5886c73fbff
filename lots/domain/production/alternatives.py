"""Which lots to offer in place of a refused spool: those running in the job, then the closest in colour, then the oldest."""

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
    """A lot in stock of which nothing is known but its place in the order.

    Args:
        id, received_at, in_job, same: as of an `Alternative`.
        least: a colour difference from the lots of the job that its own is not below, >= 0.
    """

    id: int
    received_at: datetime
    in_job: bool = False
    same: bool = False
    least: float = 0.0

    @property
    def rank(self) -> Rank:
        """The earliest place that it may have."""
        return not self.in_job, round(self.least, 2), not self.same, self.received_at, self.id


@dataclass(frozen=True, slots=True)
class Alternative:
    """A lot that may be loaded for the same use and job.

    Args:
        id: its number.
        received_at: when it first came.
        in_job: True when it is already used in the job.
        same: True when the refused spool holds it.
        pairs: its match with each other lot of the job; empty where colour does not show.
    """

    id: int
    received_at: datetime
    in_job: bool = False
    same: bool = False
    pairs: Sequence[PairMatch] = ()

    @property
    def apart(self) -> float:
        """The largest colour difference from a lot of the job: 0 without one, infinite where one is not known."""
        return max((math.inf if pair.delta_e is None else pair.delta_e for pair in self.pairs), default=0.0)

    @property
    def rank(self) -> Rank:
        """Its place: colour differences are told apart by hundredths, as they are shown."""
        return not self.in_job, round(self.apart, 2), not self.same, self.received_at, self.id


def in_turn(lots: Iterable[Candidate], look_at: Callable[[Candidate], Alternative | None]) -> Iterator[Alternative]:
    """Yields lots in the order to offer them, looking at no more of them than that takes.

    First those used in the job; then by the largest colour difference from a lot of the job, told apart by hundredths as it is shown; then
    those that the refused spool holds; then the oldest.

    Args:
        lots: what there is, in any order.
        look_at: tells what a lot is worth, None where it may not be loaded. It is asked in the order of `Candidate.rank`.

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
        oldest: tells when the oldest of the lots to choose from came; asked only where that matters.
    """
    said = []
    if lot.in_job:
        said.append("Already used in this job.")
    if lot.same:
        said.append("Same lot.")
    if lot.pairs and math.isfinite(lot.apart):
        said.append(f"Colour difference from the other lots of this job: {shown(lot.apart)} at most.")
    if not said:
        said.append("Oldest lot in stock." if lot.received_at == oldest() else f"Received {lot.received_at:%Y-%m-%d}.")
    return " ".join(said)


def least_apart(
    mine: Sequence[tuple[Lab | None, ColorLimits]], in_job: Sequence[tuple[Lab, ColorLimits]]
) -> list[float]:
    """Returns for each colour a difference that its largest from the colours of a job is not below.

    Of the formulas of both lots the one that tells the smaller difference; 0 for a lot that was not measured.

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
    # An array rounds the last bits otherwise than a single difference does.
    least = np.zeros(len(mine))
    least[known] = np.maximum(found - BINARY_NOISE, 0.0)
    return [float(one) for one in least]
