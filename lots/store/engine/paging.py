"""Keyset pagination. Each page starts after the last row of the page before, so its cost does not grow with its position."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from peewee import Field, Model, ModelSelect

_T = TypeVar("_T")
_Shown = TypeVar("_Shown")
_M = TypeVar("_M", bound=Model)


class BadCursor(ValueError):
    """A cursor that is malformed or belongs to another list."""


@dataclass(frozen=True, slots=True)
class Page(Generic[_T]):
    """The rows of one page, and the cursor of the next page, None on the last."""

    rows: list[_T]
    next: str | None

    def map(self, view: Callable[[_T], _Shown]) -> Page[_Shown]:
        """Returns the page with `view` applied to each row."""
        return Page([view(row) for row in self.rows], self.next)


def page(
    query: ModelSelect[_M], key: Field[int], cursor: str | None, limit: int, *, newest_first: bool = False
) -> Page[_M]:
    """Returns one page in ascending or descending order of `key`. One query.

    Args:
        query: the unsorted rows.
        key: a unique column that sorts the rows.
        cursor: from the page before; None for the first page.
        limit: rows on a page, >= 1.
        newest_first: True sorts in descending order. A cursor is valid for its own order only.

    Raises:
        BadCursor: the cursor is malformed or belongs to the other order.
    """
    way = "before" if newest_first else "after"
    if cursor is not None:
        last = _last_seen(cursor, way)
        query = query.where(key < last if newest_first else key > last)
    rows = list(query.order_by(key.desc() if newest_first else key).limit(limit + 1))
    if len(rows) <= limit:
        return Page(rows, None)
    return Page(rows[:limit], _cursor(getattr(rows[limit - 1], key.name), way))


def among(
    query: ModelSelect[_M], model: type[Model], name: str, since: datetime | None, until: datetime | None
) -> ModelSelect[_M]:
    """Returns the query limited to rows with a time from `since` to `until`, inclusive. None leaves an end open.

    The subquery uses the index of the time column. A plain condition would make SQLite scan all rows in page order.
    """
    if since is None and until is None:
        return query
    then = model.alias()
    moment, which = getattr(then, name), then.select(then.id)
    if since is not None:
        which = which.where(moment >= since)
    if until is not None:
        which = which.where(moment <= until)
    return query.where(model._meta.fields["id"].in_(which))


def _cursor(last: int, way: str) -> str:
    return base64.urlsafe_b64encode(f"{way}:{last}".encode()).decode().rstrip("=")


def _last_seen(cursor: str, way: str) -> int:
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
        word, _, number = text.partition(":")
        last = int(number)
    except (ValueError, binascii.Error) as error:
        raise BadCursor("The cursor is invalid. Use the cursor of a page of this list.") from error
    if word != way or not 0 <= last < 2**63 or _cursor(last, way) != cursor:
        raise BadCursor("The cursor is invalid. Use the cursor of a page of this list.")
    return last
