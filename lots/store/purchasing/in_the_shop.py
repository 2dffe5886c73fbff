"""The data of the weekly list of purchasing: filament in the shop by lot, received masses, and unanswered letters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import NamedTuple

from peewee import fn

from lots.store.assessment.lots import LEFT, still_open
from lots.store.receiving import deliveries
from lots.store.tables.decisions import CorrectiveAction, Letter, LetterSent
from lots.store.tables.models import Lot, Spool


class LotInShop(NamedTuple):
    """A lot in stock, on the shelf or on machines, with its verdicts by use and remaining mass, g."""

    id: int
    supplier_id: int
    grade_id: int
    supplier_lot: str
    standing: str
    received_at: datetime
    uses: Mapping[str, str]
    mass_g: float


def lots_in_shop(since: datetime) -> list[LotInShop]:
    """Returns the open lots received since a time that are in stock, oldest first. One query on the index of stock."""
    shown = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot, Lot.standing, Lot.received_at, Lot.uses)
    query = Spool.select(*shown, fn.SUM(Spool.remaining_mass_g)).join(Lot)
    query = query.where(LEFT & still_open() & (Lot.received_at >= since)).group_by(*shown)
    return sorted(
        (LotInShop._make(row) for row in query.tuples().iterator()), key=lambda row: (row.received_at, row.id)
    )


def masses_of(lot_ids: Iterable[int]) -> dict[int, float]:
    """Returns the received net mass by lot, g. One query, none without lots."""
    wanted = sorted(set(lot_ids))
    if not wanted:
        return {}
    query = Spool.select(Spool.lot, fn.SUM(Spool.net_mass_g)).where(Spool.lot.in_(wanted) & deliveries.came())
    return dict(query.group_by(Spool.lot).tuples().iterator())


class OpenLetter(NamedTuple):
    """A sent letter about a lot whose answer is overdue."""

    lot_id: int
    number: str
    answer_by: datetime


def letters_without_answer(lot_ids: Iterable[int], now: datetime) -> list[OpenLetter]:
    """Returns the newest sent letter of each lot if its answer is overdue. One query, none without lots.

    Signed letters that were not sent are ignored. An answered corrective action of the lot counts as an answer.
    """
    wanted = sorted(set(lot_ids))
    if not wanted:
        return []
    newest = Letter.select(fn.MAX(Letter.id)).join(LetterSent).where(Letter.lot.in_(wanted)).group_by(Letter.lot)
    since = (CorrectiveAction.lot == Letter.lot) & (CorrectiveAction.answered_at >= Letter.recorded_at)
    answered = fn.EXISTS(CorrectiveAction.select(CorrectiveAction.id).where(since))
    late = Letter.id.in_(newest) & (Letter.answer_by < now) & ~answered
    query = Letter.select(Letter.lot, Letter.number, Letter.answer_by).where(late).order_by(Letter.answer_by, Letter.id)
    return [OpenLetter._make(row) for row in query.tuples().iterator()]
