"""Files that were imported, so that the same one again changes nothing."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Import


def by_digest(digest: str) -> Any:
    """The import of this very file under the same options, or None. One query on a unique index."""
    return Import.get_or_none(Import.digest == digest)


def add(values: dict[str, Any], by: str, now: datetime) -> Any:
    """Keeps that a file was imported, with the summary that was answered."""
    return Import.create(**values, recorded_by=by, recorded_at=now)


def listed(cursor: str | None, limit: int) -> Page:
    """A page of imports, in the order they came."""
    return page(Import.select(), Import.id, cursor, limit)
