"""What the week's list rests on beside lots and actions: filament in the shop by lot, what a lot brought, and letters that wait for an answer."""

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
    """A lot with filament left, on the shelf or on machines: its verdicts by use, and how much is left, g."""

    id: int
    supplier_id: int
    grade_id: int
    supplier_lot: str
    standing: str
    received_at: datetime
    uses: Mapping[str, str]
    mass_g: float


def lots_in_shop(since: datetime) -> list[LotInShop]:
    """Returns the open lots received since a moment of which filament is left, oldest first. One query, from the index of stock."""
    shown = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot, Lot.standing, Lot.received_at, Lot.uses)
    query = Spool.select(*shown, fn.SUM(Spool.remaining_mass_g)).join(Lot)
    query = query.where(LEFT & still_open() & (Lot.received_at >= since)).group_by(*shown)
    return sorted(
        (LotInShop._make(row) for row in query.tuples().iterator()), key=lambda row: (row.received_at, row.id)
    )


def masses_of(lot_ids: Iterable[int]) -> dict[int, float]:
    """Returns the net mass that each of these lots brought, g. One query, none without lots."""
    wanted = sorted(set(lot_ids))
    if not wanted:
        return {}
    query = Spool.select(Spool.lot, fn.SUM(Spool.net_mass_g)).where(Spool.lot.in_(wanted) & deliveries.came())
    return dict(query.group_by(Spool.lot).tuples().iterator())


class OpenLetter(NamedTuple):
    """A letter about a lot, sent and past the day its answer was asked for."""

    lot_id: int
    number: str
    answer_by: datetime


def letters_without_answer(lot_ids: Iterable[int], now: datetime) -> list[OpenLetter]:
    """Returns the newest letter that was sent about each of these lots, where its day is over and no corrective action was answered since.

    A letter that was signed and not sent asks nobody, so it leaves the one before it open.

    An answer is noted on a corrective action of the lot. One query, none without lots.
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
