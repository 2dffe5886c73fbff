"""Other spools that can be used instead of a refused one, searched lot by lot in the order of preference."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import islice

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_values import Lab
from lots.domain.production.alternatives import Alternative, Candidate, in_turn, least_apart, why
from lots.domain.production.clearance import Clearance
from lots.services.production.job_colors import color_rule, rule_of
from lots.services.views import View
from lots.store.production import shelf
from lots.store.tables.models import Lot, Spool

# The most spools offered, lots offered from, and spools checked. Our choice, no source.
_OFFERED, _LOTS, _SPOOLS = 3, 12, 48
# Lots in the first batch, and the factor by which each later batch grows.
_FIRST, _MORE = 4, 4

# Returns the clearance of a spool for the request; without a spool, of any spool of the lot.
Judge = Callable[[Lot, Spool | None], Clearance]


@dataclass(frozen=True, slots=True)
class Refused:
    """A refused request to load a spool.

    Args:
        grade_id: the grade of the refused spool.
        mass_g: the mass that the job needs, g; None if not stated.
        held: lots on the refused spool.
        in_job: lots used in the job.
        shows: True if the use shows colour, so that lots are ordered by their match.
        judge: returns the clearance of a lot or a spool for the same request.
    """

    grade_id: int
    mass_g: float | None
    held: Sequence[Lot]
    in_job: Sequence[Lot]
    shows: bool
    judge: Judge


def offered(refused: Refused) -> list[View]:
    """Returns spools that are clear for the same request, in the order of `alternatives.in_turn`.

    Three queries: the lots in stock, the clearance data of the first lots, and their spools. The last two are repeated for more lots. One more
    query if colour shows in a job, and one if lots under other limits are in stock.
    """
    lots = _Lots(refused, _candidates(refused))
    best = islice(in_turn(lots.candidates, lots.look_at), _LOTS)
    found = (
        _offer(spool, answer, why(alternative, lots.oldest))
        for alternative, spool in islice(lots.spools(best), _SPOOLS)
        if (answer := refused.judge(spool.lot, spool)).clear
    )
    return list(islice(found, _OFFERED))


def _candidates(refused: Refused) -> list[Candidate]:
    """Returns the lots in stock, each with a lower bound of its colour difference from the lots of the job."""
    used, held = ({lot.id for lot in some} for some in (refused.in_job, refused.held))
    stock = shelf.lots_instead(refused.grade_id, refused.mass_g, sorted(used | held))
    least = _least(refused, stock) if refused.shows and refused.in_job and stock else [0.0] * len(stock)
    return [
        Candidate(lot.id, lot.received_at, lot.id in used, lot.id in held, apart)
        for lot, apart in zip(stock, least, strict=True)
    ]


def _least(refused: Refused, stock: Sequence[Lot]) -> list[float]:
    """Returns a lower bound of the colour difference for each lot."""
    # An agreement study may shift the colours, so the bound is 0.
    if shelf.instruments_compared():
        return [0.0] * len(stock)
    rules = {lot.limits_revision.id: color_rule(lot) for lot in refused.in_job if lot.limits_revision is not None}
    if {lot.limits_revision_id for lot in stock} - {None, *rules}:
        rules |= {number: rule_of(body) for number, body in shelf.limits_of(refused.grade_id).items()}
    unlimited = ColorLimits()
    mine = [(Lab(*lot.lab) if lot.lab else None, rules.get(lot.limits_revision_id or 0, unlimited)) for lot in stock]
    return least_apart(mine, [(Lab(*lot.lab), color_rule(lot)) for lot in refused.in_job if lot.lab])


@dataclass(slots=True)
class _Lots:
    """The candidate lots, read from the database in batches when needed."""

    refused: Refused
    candidates: Sequence[Candidate]
    _rows: dict[int, Lot] = field(default_factory=dict)
    _many: int = _FIRST

    def __post_init__(self) -> None:
        self.candidates = sorted(self.candidates, key=lambda one: one.rank)

    def look_at(self, candidate: Candidate) -> Alternative | None:
        """Returns a lot as an alternative; None if it may not be loaded."""
        if candidate.id not in self._rows:
            self._read_from(candidate)
        # The lot may have been used up since the first query.
        row = self._rows.get(candidate.id)
        answer = self.refused.judge(row, None) if row is not None else None
        if answer is None or not answer.clear:
            return None
        pairs = answer.pairs if self.refused.shows else ()
        return Alternative(candidate.id, candidate.received_at, candidate.in_job, candidate.same, pairs)

    def _read_from(self, candidate: Candidate) -> None:
        after = (one.id for one in self.candidates if one.rank >= candidate.rank and one.id not in self._rows)
        self._rows |= {lot.id: lot for lot in shelf.lots_to_check(list(islice(after, self._many)))}
        self._many *= _MORE

    def oldest(self) -> datetime:
        """Returns the date of receipt of the oldest lot that may be loaded."""
        by_age = sorted(self.candidates, key=lambda one: (one.received_at, one.id))
        return next(one.received_at for one in by_age if self.look_at(one) is not None)

    def spools(self, best: Iterator[Alternative]) -> Iterator[tuple[Alternative, Spool]]:
        """Yields the spools with enough filament, lot by lot, opened ones first."""
        while some := {one.id: one for one in islice(best, shelf.LOTS_TOGETHER)}:
            rows = [self._rows[number] for number in some]
            for spool in shelf.spools_instead(rows, self.refused.mass_g):
                yield some[spool.lot_id], spool


def _offer(spool: Spool, answer: Clearance, reason: str) -> View:
    return {
        "spool_code": spool.code,
        "supplier_lot": spool.lot.supplier_lot,
        "remaining_mass_g": spool.remaining_mass_g,
        "opened_at": spool.opened_at,
        "says": answer.concession.says if answer.concession else None,
        "why": reason,
    }
