"""Keyset pages: the next page starts after the last row seen, so a page costs the same however deep it lies."""

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
    """A cursor that this program did not make."""


@dataclass(frozen=True, slots=True)
class Page(Generic[_T]):
    """Rows of one page, and the cursor of the next, None on the last."""

    rows: list[_T]
    next: str | None

    def map(self, view: Callable[[_T], _Shown]) -> Page[_Shown]:
        """The same page with each row turned into what the caller shows."""
        return Page([view(row) for row in self.rows], self.next)


def page(
    query: ModelSelect[_M], key: Field[int], cursor: str | None, limit: int, *, newest_first: bool = False
) -> Page[_M]:
    """Returns one page in ascending order of `key`, or in descending order, in one query.

    Args:
        query: what to page through.
        key: a unique column, the order of the pages.
        cursor: from the page before, None for the first.
        limit: rows on a page, >= 1.
        newest_first: in descending order. A cursor leads on in the order it came from, never in the other.

    Raises:
        BadCursor: the cursor is not one of ours, or of the other order.
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
    """Narrows a query to the rows of a model whose moment lies between two, both included; None leaves an end open.

    By number, from the index of the moments: else SQLite would walk through all rows in the order of the page.
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
        raise BadCursor("the cursor is not one that this program made") from error
    if word != way or not 0 <= last < 2**63 or _cursor(last, way) != cursor:
        raise BadCursor("the cursor is not one that this program made")
    return last
