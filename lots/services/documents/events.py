"""The history: who did what and when."""

from __future__ import annotations

from lots.services.views import View
from lots.store import audit
from lots.store.engine.paging import Page
from lots.store.tables.models import Event

ACTIONS = audit.ACTIONS


def listed(filters: audit.EntryFilters, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of entries, oldest first."""
    return audit.listed(filters, cursor, limit).map(view)


def view(row: Event) -> View:
    """Returns an entry. Its hash covers `content` and the other fields; `rows` is the content without the digests."""
    fields = ("id", "chain", "number", "lot_id", "at", "by", "what", "content", "previous", "hash")
    rows = {table: says["ids"] for table, says in row.content["rows"].items()}
    return {**{name: getattr(row, name) for name in fields}, "rows": rows}
