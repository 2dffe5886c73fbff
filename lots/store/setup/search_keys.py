"""Search keys of lots, orders and jobs, found by a part of their names in any case."""

from __future__ import annotations

from typing import Literal, TypeAlias

from lots.domain.code_identity import search_keys
from lots.store.tables.setup import SearchKey

# The kinds of search keys. "order" refers to a delivery.
Searched: TypeAlias = Literal["lot", "order", "job"]


def keep(kind: Searched, number: int, name: str | None, *, new: bool = False) -> None:
    """Replaces the search keys of a row. One statement for a `new` row, otherwise two."""
    if not new:
        SearchKey.delete().where((SearchKey.kind == kind) & (SearchKey.refers_to == number)).execute()
    rows = [{"kind": kind, "key": key, "refers_to": number} for key in search_keys(name or "")]
    if rows:
        SearchKey.insert_many(rows).execute()


def numbers(kind: Searched, text: str, most: int) -> list[int]:
    """Returns the ids of rows whose names contain a text, those that end with it first. A text without letters and digits matches none.

    One query in the order of an index.
    """
    keys = search_keys(text)
    if not keys:
        return []
    begins = SearchKey.key.between(keys[0], f"{keys[0]}g")
    found = SearchKey.select(SearchKey.refers_to).where((SearchKey.kind == kind) & begins)
    rows = found.order_by(SearchKey.kind, SearchKey.key, SearchKey.refers_to).limit(most * _REPEATS)
    return list(dict.fromkeys(rows.scalars()))[:most]


def every(kind: Searched) -> dict[int, list[str]]:
    """Returns the sorted search keys of a kind by row. One query."""
    found: dict[int, list[str]] = {}
    query = SearchKey.select(SearchKey.refers_to, SearchKey.key).where(SearchKey.kind == kind)
    for number, key in query.tuples().iterator():
        found.setdefault(number, []).append(key)
    return {number: sorted(keys) for number, keys in found.items()}


# A name may contain a text this often without hiding other names.
_REPEATS = 10
