"""Letters to suppliers, and the days on which they were sent. Lists leave out the PDF, which is read for its own page alone."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TypedDict

from peewee import ModelSelect

from lots.store.engine.paging import Page, page
from lots.store.receiving import deliveries
from lots.store.tables.decisions import Letter, LetterSent
from lots.store.tables.models import Grade, Lot, Spool, Supplier


class Signed(TypedDict):
    """A letter as it was signed, without its lot and whoever recorded it."""

    number: str
    claim: str
    spools: int | None
    mass_g: float | None
    amount: float | None
    currency: str | None
    answer_by: datetime
    addressed_to: str
    signed_by: str
    corrective_action: int | None
    note: str | None
    pdf: str
    digest: str


class LetterFilter(TypedDict, total=False):
    """Which letters a list shows."""

    lot_id: int
    supplier_id: int
    signed_from: datetime
    signed_to: datetime


_SHOWN = [field for field in Letter._meta.sorted_fields if field is not Letter.pdf]
_OF_LOT = (Lot.id, Lot.supplier, Lot.grade, Lot.supplier_lot)


def _with_names() -> ModelSelect[Letter]:
    return (
        Letter.select(
            *_SHOWN, *_OF_LOT, Supplier.id, Supplier.code, Supplier.name, Grade.id, Grade.code, Grade.color_name
        )
        .join(Lot, on=(Letter.lot == Lot.id))
        .join(Supplier)
        .switch(Lot)
        .join(Grade)
    )


def count(lot_id: int) -> int:
    """Letters about a lot that were signed so far. One query on an index."""
    return int(Letter.select().where(Letter.lot == lot_id).count())


def heaviest(lot_id: int, spools: int) -> float:
    """The net mass that the heaviest spools of a lot came with, g. One query."""
    query = Spool.select(Spool.net_mass_g).where((Spool.lot == lot_id) & deliveries.came())
    return float(sum(row.net_mass_g for row in query.order_by(Spool.net_mass_g.desc()).limit(spools)))


def add(lot: Lot, values: Signed, by: str, now: datetime) -> int:
    """Keeps a signed letter and returns the number of its row. One statement."""
    made = Letter.create(lot=lot, **values, recorded_by=by, recorded_at=now)
    return int(made.id)


def find(number: str) -> Letter | None:
    """A letter by its number, with lot, supplier and grade and without its PDF; None without one. One query."""
    found: Letter | None = _with_names().where(Letter.number == number).first()
    return found


def pdf_of(number: str) -> tuple[str, str] | None:
    """The PDF of a letter in base64 and its kept digest; None without such a letter. One query."""
    row = Letter.select(Letter.pdf, Letter.digest).where(Letter.number == number).first()
    return None if row is None else (row.pdf, row.digest)


def listed(filters: LetterFilter, cursor: str | None, limit: int) -> Page[Letter]:
    """A page of letters with lot, supplier and grade, newest first. One query."""
    query = _with_names()
    if "lot_id" in filters:
        query = query.where(Letter.lot == filters["lot_id"])
    if "supplier_id" in filters:
        query = query.where(Lot.supplier == filters["supplier_id"])
    if "signed_from" in filters:
        query = query.where(Letter.recorded_at >= filters["signed_from"])
    if "signed_to" in filters:
        query = query.where(Letter.recorded_at <= filters["signed_to"])
    return page(query, Letter.id, cursor, limit, newest_first=True)


def sendings_of(letter_ids: Iterable[int]) -> dict[int, list[LetterSent]]:
    """Sendings by letter, in the order they were recorded; letters without one are left out. At most one query, on an index."""
    wanted = sorted(set(letter_ids))
    found: dict[int, list[LetterSent]] = {}
    if wanted:
        query = LetterSent.select().where(LetterSent.letter.in_(wanted)).order_by(LetterSent.id)
        for row in query:
            found.setdefault(row.letter_id, []).append(row)
    return found


def add_sending(letter: Letter, sent_at: datetime, sent_to: str, note: str | None, by: str, now: datetime) -> int:
    """Keeps that a letter was sent and returns the number of the row. One statement."""
    made = LetterSent.create(
        letter=letter, sent_at=sent_at, sent_to=sent_to, note=note, recorded_by=by, recorded_at=now
    )
    return int(made.id)
