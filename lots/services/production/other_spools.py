"""Other spools to offer in place of a refused one: looked up lot by lot in the order to offer them, until there are enough."""

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

# How many other spools a refusal offers, of how many lots, and how many spools are looked at.
_OFFERED, _LOTS, _SPOOLS = 3, 12, 48
# Lots that are read at first, and how many times as many each time after.
_FIRST, _MORE = 4, 4

# Judges a lot, or a spool of it, by what was asked; without a spool any spool of the lot.
Judge = Callable[[Lot, Spool | None], Clearance]


@dataclass(frozen=True, slots=True)
class Refused:
    """What another spool is wanted for.

    Args:
        grade_id: the grade of the refused spool.
        mass_g: what the job needs, g; None where nobody said.
        held: lots that the refused spool holds.
        in_job: lots used in the job.
        shows: True where the use shows colour, so that lots are offered by their match.
        judge: whether a lot or a spool may be loaded for the same.
    """

    grade_id: int
    mass_g: float | None
    held: Sequence[Lot]
    in_job: Sequence[Lot]
    shows: bool
    judge: Judge


def offered(refused: Refused) -> list[View]:
    """Returns spools of one lot that are clear for the same, in the order of `alternatives.in_turn`.

    Three queries: which lots are in stock, what a clearance needs of the next of them, and their spools; two of these again where those that were read do not
    do. One more where colour shows in a job, and one where lots of other limits are in stock.
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
    """Lots in stock, with the colour difference from the lots of the job that each has at least."""
    used, held = ({lot.id for lot in some} for some in (refused.in_job, refused.held))
    stock = shelf.lots_instead(refused.grade_id, refused.mass_g, sorted(used | held))
    least = _least(refused, stock) if refused.shows and refused.in_job and stock else [0.0] * len(stock)
    return [
        Candidate(lot.id, lot.received_at, lot.id in used, lot.id in held, apart)
        for lot, apart in zip(stock, least, strict=True)
    ]


def _least(refused: Refused, stock: Sequence[Lot]) -> list[float]:
    """Colours as they were read tell nothing where a study may shift them to those of another instrument."""
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
    """Lots to offer, read when their turn comes, some at a time."""

    refused: Refused
    candidates: Sequence[Candidate]
    _rows: dict[int, Lot] = field(default_factory=dict)
    _many: int = _FIRST

    def __post_init__(self) -> None:
        self.candidates = sorted(self.candidates, key=lambda one: one.rank)

    def look_at(self, candidate: Candidate) -> Alternative | None:
        """Returns what a lot is worth, None where it may not be loaded."""
        if candidate.id not in self._rows:
            self._read_from(candidate)
        # A lot that was used up since it was found is no alternative.
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
        """Returns when the oldest of the lots that may be loaded came."""
        by_age = sorted(self.candidates, key=lambda one: (one.received_at, one.id))
        return next(one.received_at for one in by_age if self.look_at(one) is not None)

    def spools(self, best: Iterator[Alternative]) -> Iterator[tuple[Alternative, Spool]]:
        """Yields the spools of lots with enough on them, lot by lot, opened ones first."""
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
