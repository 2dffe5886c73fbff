"""Pages of a list that is sorted by a column with an index: each leads on to the next and back to the one before, and costs the same however deep it lies."""

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
    """How a list is sorted: by a column, then by the unique `key`; both from the greatest down where `descending`. `kind` is the type of its values."""

    name: str
    column: SortedBy
    key: Field[int]
    descending: bool
    kind: type[int | str | datetime] = int


@dataclass(frozen=True, slots=True)
class SortedPage(Generic[_T]):
    """Rows of one page, and the cursors of the next and of the one before, None where there is none."""

    rows: list[_T]
    next: str | None
    previous: str | None


def sorted_page(query: ModelSelect[_M], order: Order, cursor: str | None, limit: int) -> SortedPage[_M]:
    """Returns one page, in one query.

    Args:
        query: what to page through.
        order: how it is sorted.
        cursor: from another page of the same order, None for the first.
        limit: rows on a page, >= 1.

    Raises:
        BadCursor: the cursor is not one of this order.
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
    # Both conditions, since the first alone lets an index begin where the page does.
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
        raise BadCursor("the cursor is not one that this program made") from error
    ours = way in (_ON, _BACK) and name == order.name and type(kept) is order.kind and type(number) is int
    aware = not isinstance(kept, datetime) or kept.utcoffset() == timedelta()
    if not ours or not aware or not 0 <= number < _LARGEST or (isinstance(kept, int) and not 0 <= kept < _LARGEST):
        raise BadCursor("the cursor is not one that this program made")
    if isinstance(kept, str) and has_control(kept):
        raise BadCursor("the cursor is not one that this program made")
    return way, kept, number
