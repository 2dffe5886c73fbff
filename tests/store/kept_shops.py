"""Shops of older versions, stored in a folder each: restored into an empty database and migrated."""

from __future__ import annotations

import lzma
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from lots.store.engine import database
from lots.store.engine.database import db
from lots.store.tables.models import TABLES
from lots.store.upkeep import migrate, schema
from tests.store.rows import connected
from tests.store.shelves import described

KEPT = Path(__file__).parent


def restore(version: int, url: str, engine: str) -> None:
    """Restores the stored shop of a version into an empty database."""
    text = lzma.decompress((KEPT / f"version_{version}" / f"{engine}.sql.xz").read_bytes()).decode()
    if engine == "sqlite":
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as file:
            file.executescript(text)
        return
    import psycopg

    with psycopg.connect(url, autocommit=True) as server:
        server.execute(text)


@contextmanager
def kept(version: int, url: str, engine: str) -> Iterator[None]:
    """The stored shop of a version, open within the block."""
    restore(version, url, engine)
    database.open_database(url)
    with connected():
        assert version == schema.found_version(db)
        yield


def bring_up_to_date() -> list[str]:
    """Runs every migration, and returns their names."""
    return migrate.migrate(lambda _: None)


def tables_as_they_are_and_as_new() -> tuple[list[tuple[str, ...]], list[tuple[str, ...]]]:
    """The present tables, and those of an empty database, which then replace them."""
    found = _plainly(described())
    db.drop_tables(TABLES, cascade=database.locks_rows())
    db.create_tables(TABLES)
    return found, _plainly(described())


def _plainly(parts: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """A description without casts and brackets, which PostgreSQL writes differently for restored constraints."""
    return [tuple(re.sub(r"::[a-z ]+(\[\])?|[()]", "", part) for part in row) for row in parts]
