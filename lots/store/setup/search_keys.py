"""Keys to find a lot, an order or a job by a part of its name, in any case."""

from __future__ import annotations

from typing import Literal, TypeAlias

from lots.domain.code_identity import search_keys
from lots.store.tables.setup import SearchKey

# What is found by a part of its name: a lot, the delivery of an order, a job.
Searched: TypeAlias = Literal["lot", "order", "job"]


def keep(kind: Searched, number: int, name: str | None, *, new: bool = False) -> None:
    """Keeps the keys of a name in place of those it had. One statement for a `new` row, else two."""
    if not new:
        SearchKey.delete().where((SearchKey.kind == kind) & (SearchKey.refers_to == number)).execute()
    rows = [{"kind": kind, "key": key, "refers_to": number} for key in search_keys(name or "")]
    if rows:
        SearchKey.insert_many(rows).execute()


def numbers(kind: Searched, text: str, most: int) -> list[int]:
    """Numbers of rows whose names hold a text, at most so many, those that end with it first; none for a text without a letter or digit.

    One query on an index, read in its order as far as needed.
    """
    keys = search_keys(text)
    if not keys:
        return []
    begins = SearchKey.key.between(keys[0], f"{keys[0]}g")
    found = SearchKey.select(SearchKey.refers_to).where((SearchKey.kind == kind) & begins)
    rows = found.order_by(SearchKey.kind, SearchKey.key, SearchKey.refers_to).limit(most * _OFTEN)
    return list(dict.fromkeys(rows.scalars()))[:most]


def every(kind: Searched) -> dict[int, list[str]]:
    """Every key of a kind, in order, by the number of its row. One query."""
    found: dict[int, list[str]] = {}
    query = SearchKey.select(SearchKey.refers_to, SearchKey.key).where(SearchKey.kind == kind)
    for number, key in query.tuples().iterator():
        found.setdefault(number, []).append(key)
    return {number: sorted(keys) for number, keys in found.items()}


# As often as a name may hold a text and still not hide another.
_OFTEN = 10
