"""Copies all data from one database to another. The new one can be used only after both were found equal."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from peewee import Database

from lots.store.engine import database
from lots.store.engine.write_lock import leave_mark
from lots.store.tables.models import SchemaVersion
from lots.store.upkeep import copy_rows, schema
from lots.store.upkeep.copy_rows import Compared
from lots.store.upkeep.database_handles import (
    NotDone,
    Watch,
    file_of,
    holds_content,
    in_words,
    one_moment,
    reader,
    require_current,
    require_ours,
    shown,
    unwatched,
)
from lots.store.upkeep.sqlite_files import logs_of


def move(
    source_url: str, target_url: str, watch: Watch = unwatched, parameters: int = copy_rows.PARAMETERS
) -> list[Compared]:
    """Copies all rows and returns a comparison of every table.

    Args:
        source_url: the source database.
        target_url: an empty database, or the target of an interrupted move. The program is bound to it afterwards.
        watch: shows the progress of copying, then of comparing, in rows.
        parameters: most values per statement.

    Raises:
        NotDone: the target has other rows, the source is missing, or an engine raised an error.
        schema.WrongSchema: a database has another schema version.

    Notes:
        The target has the version `FILLING` until both databases were found equal, so no command can use it. An interrupted move
        continues after the highest id of each table, because each chunk is one transaction.
    """
    with reader(source_url) as source, in_words(f"The move to {shown(target_url)} was interrupted"):
        require_current(source, source_url)
        target = _open_target(target_url)
        try:
            with one_moment(source):
                _require_same_rows(source, target, target_url)
                _store_version(schema.FILLING)
                carried = copy_rows.carry(source, target, watch, parameters)
            copy_rows.set_numbering(target)
            # A new snapshot shows changes of the source since the copy.
            with one_moment(source):
                found = copy_rows.compare(source, target, watch)
            compared = [replace(table, carried=carried[table.table]) for table in found]
            if all(table.equal for table in compared):
                _store_version(schema.VERSION)
        finally:
            database.disconnect()
    return compared


def _open_target(url: str) -> Database:
    if (path := file_of(url)) is not None:
        _require_free_path(path)
    database.open_database(url)
    database.connect()
    if path is not None:
        leave_mark(str(path))
    if schema.found_version(database.db) != schema.FILLING:
        schema.ensure_schema()
    opened: Database = database.db.obj
    return opened


def _require_free_path(path: Path) -> None:
    """Raises NotDone for a file of another program, and for the log of a missing database, which SQLite would apply to the new one."""
    if holds_content(path):
        require_ours(path)
        return
    for left in logs_of(path):
        if left.exists():
            raise NotDone(f"{left} is left of a missing database. Move it away, then run lots move again.")


def _require_same_rows(source: Database, target: Database, url: str) -> None:
    astray = copy_rows.foreign(source, target)
    if astray:
        raise NotDone(
            f"{shown(url)} has rows in {', '.join(astray)} that the source does not have. They are of another shop, or the source was "
            "changed after an interrupted move. Name an empty database with --to."
        )


def _store_version(version: int) -> None:
    with database.transaction():
        SchemaVersion.update(version=version).execute()
