"""Search: spools by code, and lots, orders, jobs, suppliers, grades and machines by a part of their names."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Generic, TypeVar

from peewee import Model, ModelSelect

from lots.domain.code_identity import identity
from lots.store.receiving.deliveries import current
from lots.store.setup import search_keys, spool_codes
from lots.store.tables.loads import Job, Machine
from lots.store.tables.models import Delivery, Grade, Lot, Spool, Supplier

_T = TypeVar("_T")
_M = TypeVar("_M", bound=Model)


@dataclass(frozen=True, slots=True)
class Found(Generic[_T]):
    """The matching rows, exact matches first, and whether there are more."""

    rows: list[_T]
    more: bool


def spool(code: str) -> Spool | None:
    """Returns the spool with this code with its lot, supplier and grade, or None. One query on unique indexes, one more for another spelling."""
    query = Spool.select(Spool.id, Spool.code, *_OF_LOT).join(Lot).join(Supplier).switch(Lot).join(Grade)
    return spool_codes.chosen(code, query.where(spool_codes.written(code)))


_OF_LOT = (Lot.id, Lot.supplier_lot, Lot.standing, Supplier.id, Supplier.name, Grade.id, Grade.code)


def lots(text: str, most: int) -> Found[Lot]:
    """Returns lots whose number contains a text, with supplier and grade. Two queries on indexes."""
    exact = Lot.select(Lot.id).where(Lot.identity == identity(text)).limit(most + 1)
    wanted = Lot.id.in_(search_keys.numbers("lot", text, most + 1)) | Lot.id.in_(exact)
    query = Lot.select(*_OF_LOT).join(Supplier).switch(Lot).join(Grade).where(wanted)
    return _cut(query, text, most, lambda row: row.supplier_lot)


def orders(text: str, most: int) -> Found[Delivery]:
    """Returns deliveries whose order contains a text, with lot, supplier and grade. Two queries on indexes."""
    numbers = search_keys.numbers("order", text, most + 1)
    query = Delivery.select(Delivery, *_OF_LOT).join(Lot).join(Supplier).switch(Lot).join(Grade)
    return _cut(query.where(Delivery.id.in_(numbers)), text, most, lambda row: current(row).order_ref or "")


def jobs(text: str, most: int) -> Found[Job]:
    """Returns jobs whose number contains a text. Two queries on indexes."""
    wanted = Job.id.in_(search_keys.numbers("job", text, most + 1)) | (Job.identity == identity(text))
    return _cut(Job.select(Job.id, Job.number).where(wanted), text, most, lambda row: row.number)


def suppliers(text: str, most: int) -> Found[Supplier]:
    """Returns suppliers whose code or name contains a text. One query of a small table."""
    query = Supplier.select(Supplier.id, Supplier.code, Supplier.name)
    return _holding(query, text, most, lambda row: (row.code, row.name))


def grades(text: str, most: int) -> Found[Grade]:
    """Returns grades whose code, polymer or colour contains a text. One query of a small table."""
    query = Grade.select(Grade.id, Grade.code, Grade.polymer, Grade.color_name, Grade.nominal_diameter_mm)
    return _holding(query, text, most, lambda row: (row.code, f"{row.polymer} {row.color_name}"))


def machines(text: str, most: int) -> Found[Machine]:
    """Returns machines whose name contains a text. One query of a small table."""
    return _holding(Machine.select(Machine.id, Machine.name), text, most, lambda row: (row.name,))


def _cut(rows: Iterable[_T], text: str, most: int, name: Callable[[_T], str]) -> Found[_T]:
    whole = identity(text)
    found = sorted(rows, key=lambda row: (identity(name(row)) != whole, name(row)))
    return Found(found[:most], len(found) > most)


def _holding(query: ModelSelect[_M], text: str, most: int, names: Callable[[_M], tuple[str, ...]]) -> Found[_M]:
    """Returns rows with a name that contains a text, ignoring case. It is done here, because the engines fold case differently."""
    part = text.strip().casefold()
    rows = [row for row in query if any(part in name.casefold() for name in names(row))]
    return _cut(rows, text, most, lambda row: names(row)[0])
