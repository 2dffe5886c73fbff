"""Files that were imported, so that the same one again changes nothing."""

from __future__ import annotations

from datetime import datetime
from typing import TypedDict

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Import


class ImportedFile(TypedDict):
    """A file that was imported: what it was, and what came of it in numbers."""

    kind: str
    file_name: str
    digest: str
    rows: int
    items: int
    lot_ids: list[int]


class NewImport(ImportedFile):
    """An imported file with the summary that was answered."""

    summary: dict[str, object]


def by_digest(digest: str) -> Import | None:
    """The import of this very file under the same options, or None. One query on a unique index."""
    return Import.get_or_none(Import.digest == digest)


def add(values: NewImport, by: str, now: datetime) -> Import:
    """Keeps that a file was imported, with the summary that was answered."""
    return Import.create(**values, recorded_by=by, recorded_at=now)


def listed(cursor: str | None, limit: int) -> Page[Import]:
    """A page of imports, in the order they came."""
    return page(Import.select(), Import.id, cursor, limit)
