"""Letters to suppliers and their dispatches. Lists do not read the PDF."""

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
    """The columns of a signed letter, without its lot and record."""

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
    """Filters of a list of letters."""

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
    """Returns the number of signed letters about a lot. One query on an index."""
    return int(Letter.select().where(Letter.lot == lot_id).count())


def heaviest(lot_id: int, spools: int) -> float:
    """Returns the total received net mass of a lot's `spools` heaviest spools, g. One query."""
    query = Spool.select(Spool.net_mass_g).where((Spool.lot == lot_id) & deliveries.came())
    return float(sum(row.net_mass_g for row in query.order_by(Spool.net_mass_g.desc()).limit(spools)))


def add(lot: Lot, values: Signed, by: str, now: datetime) -> int:
    """Stores a signed letter and returns its id. One statement."""
    made = Letter.create(lot=lot, **values, recorded_by=by, recorded_at=now)
    return int(made.id)


def find(number: str) -> Letter | None:
    """Returns a letter by its number, with lot, supplier and grade and without its PDF, or None. One query."""
    found: Letter | None = _with_names().where(Letter.number == number).first()
    return found


def pdf_of(number: str) -> tuple[str, str] | None:
    """Returns the PDF of a letter in base64 and its stored digest, or None. One query."""
    row = Letter.select(Letter.pdf, Letter.digest).where(Letter.number == number).first()
    return None if row is None else (row.pdf, row.digest)


def listed(filters: LetterFilter, cursor: str | None, limit: int) -> Page[Letter]:
    """Returns a page of letters with lot, supplier and grade, newest first. One query."""
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
    """Returns dispatches by letter, oldest record first. Letters without one are left out. At most one query, on an index."""
    wanted = sorted(set(letter_ids))
    found: dict[int, list[LetterSent]] = {}
    if wanted:
        query = LetterSent.select().where(LetterSent.letter.in_(wanted)).order_by(LetterSent.id)
        for row in query:
            found.setdefault(row.letter_id, []).append(row)
    return found


def add_sending(letter: Letter, sent_at: datetime, sent_to: str, note: str | None, by: str, now: datetime) -> int:
    """Stores a dispatch of a letter and returns its id. One statement."""
    made = LetterSent.create(
        letter=letter, sent_at=sent_at, sent_to=sent_to, note=note, recorded_by=by, recorded_at=now
    )
    return int(made.id)
