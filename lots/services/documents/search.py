"""The search over spools, lots, orders, jobs, suppliers, grades and machines."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypedDict, TypeVar
from urllib.parse import unquote, urlsplit

from lots.domain.code_identity import has_control, identity
from lots.store.receiving import search as store
from lots.store.receiving.deliveries import current
from lots.store.setup import spool_codes
from lots.store.tables.models import Grade, Lot

_T = TypeVar("_T")
# The most results of each kind. A longer text finds the others. Our choice, no source.
MOST = 20


class Hit(TypedDict):
    """A search result.

    `id` is its row number, for an order that of its delivery. `exact` means that the whole name was typed. `lot_id` is the lot of a spool, a lot
    or an order.
    """

    id: int
    name: str
    says: str
    exact: bool
    lot_id: int | None


class Group(TypedDict):
    """The results of one kind, exact ones first, and whether more match."""

    kind: str
    items: list[Hit]
    more: bool


class Answer(TypedDict):
    """The answer to a search: its groups with results, and similar spool codes if no spool has the code."""

    asked: str
    groups: list[Group]
    similar_spools: list[str]


def scanned(text: str) -> str:
    """Returns the spool code in a typed or scanned text, which is the code or the URL from the QR code of a label.

    Example:
        >>> scanned(" WB-Q03-1 "), scanned("https://lots.example.org/spools/WB%20Q03-1")
        ('WB-Q03-1', 'WB Q03-1')
    """
    typed = text.strip()
    if not typed.lower().startswith(("http://", "https://")):
        return typed
    try:
        path = urlsplit(typed).path
    except ValueError:
        return typed
    return unquote(path.rpartition("/spools/")[2]) if "/spools/" in path else typed


def search(text: str) -> Answer:
    """Returns the search results for a text. Spools match by their whole code, the rest by a part of their code, name or number.

    At most twelve queries for a shop of any size. The URL on a label counts as the code of its spool.

    Args:
        text: as typed or scanned.
    """
    asked = scanned(text)
    if not asked or has_control(asked):
        return {"asked": asked, "groups": [], "similar_spools": []}
    spool = store.spool(asked)
    spools = [_hit(spool.id, spool.code, asked, _of_lot(spool.lot), spool.lot_id)] if spool else []
    groups: list[Group] = [
        {"kind": "spool", "items": spools, "more": False},
        _group(
            "lot",
            store.lots(asked, MOST),
            lambda row: _hit(row.id, row.supplier_lot, asked, _of_grade(row), row.id),
        ),
        _group(
            "order",
            store.orders(asked, MOST),
            lambda row: _hit(row.id, current(row).order_ref or "", asked, _of_lot(row.lot), row.lot_id),
        ),
        _group("job", store.jobs(asked, MOST), lambda row: _hit(row.id, row.number, asked)),
        _group("supplier", store.suppliers(asked, MOST), lambda row: _hit(row.id, row.code, asked, row.name)),
        _group("grade", store.grades(asked, MOST), lambda row: _hit(row.id, row.code, asked, _of_material(row))),
        _group("machine", store.machines(asked, MOST), lambda row: _hit(row.id, row.name, asked)),
    ]
    similar = [] if spool else spool_codes.similar(asked)
    return {"asked": asked, "groups": [group for group in groups if group["items"]], "similar_spools": similar}


def _group(kind: str, found: store.Found[_T], hit: Callable[[_T], Hit]) -> Group:
    return {"kind": kind, "items": [hit(row) for row in found.rows], "more": found.more}


def _hit(number: int, name: str, asked: str, says: str = "", lot_id: int | None = None) -> Hit:
    return {"id": number, "name": name, "says": says, "exact": identity(name) == identity(asked), "lot_id": lot_id}


def _of_grade(lot: Lot) -> str:
    return f"{lot.supplier.name}, {lot.grade.code}"


def _of_material(grade: Grade) -> str:
    return f"{grade.polymer} {grade.color_name}, {grade.nominal_diameter_mm:g} mm"


def _of_lot(lot: Lot) -> str:
    return f"lot {lot.supplier_lot}, {_of_grade(lot)}"
