"""Room for the version of the wording of a lot's sentences."""

from __future__ import annotations

from typing import Any

from peewee import IntegerField, SqliteDatabase

from lots.store.upkeep.migrations import version_4_tables
from lots.store.upkeep.rebuild_table import rebuild


class Lot(version_4_tables.Lot):
    """The table of lots as version 4 made it, with one more column."""

    wording = IntegerField(null=True)


def up(_migrator: Any, db: Any) -> None:
    """Adds a column that may be empty. Empty columns are in no digest, so no digest of the history changes."""
    if isinstance(db, SqliteDatabase):
        rebuild(db, Lot)
    else:
        db.execute_sql("ALTER TABLE lot ADD COLUMN wording INTEGER")
