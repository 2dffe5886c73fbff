"""Keyset pages in both directions over a list sorted by an indexed column. The cost of a page does not grow with its position."""

from __future__ import annotations

import base64
import binascii
import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Generic, TypeAlias, TypeVar

from peewee import Expression, Field, Model, ModelSelect

from lots.domain.code_identity import has_control
from lots.store.engine.paging import BadCursor

_T = TypeVar("_T")
_M = TypeVar("_M", bound=Model)
_ON, _BACK = "on", "back"
_LARGEST = 2**63
SortedBy: TypeAlias = "Field[int] | Field[str] | Field[datetime]"
Value: TypeAlias = int | str | datetime


@dataclass(frozen=True, slots=True)
class Order:
    """The sort order of a list: by a column of type `kind`, then by the unique `key`. `descending` applies to both."""

    name: str
    column: SortedBy
    key: Field[int]
    descending: bool
    kind: type[int | str | datetime] = int


@dataclass(frozen=True, slots=True)
class SortedPage(Generic[_T]):
    """The rows of one page, and the cursors of the next and the previous page, None where no such page exists."""

    rows: list[_T]
    next: str | None
    previous: str | None


def sorted_page(query: ModelSelect[_M], order: Order, cursor: str | None, limit: int) -> SortedPage[_M]:
    """Returns one page. One query.

    Args:
        query: the unsorted rows.
        order: the sort order.
        cursor: from another page of the same order; None for the first page.
        limit: rows on a page, >= 1.

    Raises:
        BadCursor: the cursor does not belong to this order.
    """
    back = False
    if cursor is not None:
        way, value, number = _read(cursor, order)
        back = way == _BACK
        query = query.where(_beyond(order, value, number, up=order.descending == back))
    up = order.descending == back
    sorting = [column if up else column.desc() for column in _columns(order)]
    rows = list(query.order_by(*sorting).limit(limit + 1))
    more, rows = len(rows) > limit, rows[:limit]
    if back:
        rows.reverse()
    if not rows:
        return SortedPage([], None, None)
    before, after = (more, True) if back else (cursor is not None, more)
    return SortedPage(
        rows,
        _cursor(_ON, order, rows[-1]) if after else None,
        _cursor(_BACK, order, rows[0]) if before else None,
    )


def _columns(order: Order) -> list[SortedBy]:
    return [order.key] if order.column is order.key else [order.column, order.key]


def _beyond(order: Order, value: Value, number: int, *, up: bool) -> Expression:
    column, key = order.column, order.key
    if column is key:
        return key > number if up else key < number
    further = column > value if up else column < value
    # `within` is redundant, but lets the engine start the index scan at the page.
    within = column >= value if up else column <= value
    return within & (further | (key > number if up else key < number))


def _cursor(way: str, order: Order, row: Model) -> str:
    value = getattr(row, order.column.name)
    text = value.isoformat() if isinstance(value, datetime) else value
    said = json.dumps([way, order.name, text, getattr(row, order.key.name)])
    return base64.urlsafe_b64encode(said.encode()).decode().rstrip("=")


def _read(cursor: str, order: Order) -> tuple[str, Value, int]:
    try:
        way, name, value, number = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        kept = datetime.fromisoformat(value) if order.kind is datetime else value
    except (ValueError, TypeError, binascii.Error, RecursionError) as error:
        raise BadCursor("The cursor is invalid. Use the cursor of a page of this list.") from error
    ours = way in (_ON, _BACK) and name == order.name and type(kept) is order.kind and type(number) is int
    aware = not isinstance(kept, datetime) or kept.utcoffset() == timedelta()
    if not ours or not aware or not 0 <= number < _LARGEST or (isinstance(kept, int) and not 0 <= kept < _LARGEST):
        raise BadCursor("The cursor is invalid. Use the cursor of a page of this list.")
    if isinstance(kept, str) and has_control(kept):
        raise BadCursor("The cursor is invalid. Use the cursor of a page of this list.")
    return way, kept, number
