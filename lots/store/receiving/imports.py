"""Imported files, so that a repeated import of a file changes nothing."""

from __future__ import annotations

from datetime import datetime
from typing import TypedDict

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Import


class ImportedFile(TypedDict):
    """An imported file with the numbers of its rows, items and lots."""

    kind: str
    file_name: str
    digest: str
    rows: int
    items: int
    lot_ids: list[int]


class NewImport(ImportedFile):
    """An imported file with the summary of its import."""

    summary: dict[str, object]


def by_digest(digest: str) -> Import | None:
    """Returns the import of the same file with the same options, or None. One query on a unique index."""
    return Import.get_or_none(Import.digest == digest)


def add(values: NewImport, by: str, now: datetime) -> Import:
    """Stores an import."""
    return Import.create(**values, recorded_by=by, recorded_at=now)


def listed(cursor: str | None, limit: int) -> Page[Import]:
    """Returns a page of imports, oldest first."""
    return page(Import.select(), Import.id, cursor, limit)
