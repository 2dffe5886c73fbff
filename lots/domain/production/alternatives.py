"""Which lots to offer in place of a refused spool: those running in the job, then the closest in colour, then the oldest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from lots.domain.conformity.findings import shown
from lots.domain.production.matching import PairMatch


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


def ranked(lots: Sequence[Alternative]) -> list[Alternative]:
    """Returns lots in the order to offer them.

    First those used in the job; then by the largest colour difference from a lot of the job, told apart by hundredths as it is shown; then
    those that the refused spool holds; then the oldest.

    Reference:
        Common practice, no source: a job stays on its lot, and stock is used first in, first out.
    """
    return sorted(lots, key=lambda lot: (not lot.in_job, round(lot.apart, 2), not lot.same, lot.received_at, lot.id))


def why(lot: Alternative, oldest: datetime) -> str:
    """Returns in words why a lot is offered.

    Args:
        oldest: when the oldest of the lots to choose from came.
    """
    said = []
    if lot.in_job:
        said.append("Already used in this job.")
    if lot.same:
        said.append("Same lot.")
    if lot.pairs and math.isfinite(lot.apart):
        said.append(f"Colour difference from the other lots of this job: {shown(lot.apart)} at most.")
    if not said:
        said.append("Oldest lot in stock." if lot.received_at == oldest else f"Received {lot.received_at:%Y-%m-%d}.")
    return " ".join(said)
