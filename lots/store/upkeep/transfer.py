"""Moves a shop from one database to another: everything across, both sides compared, and only then may anybody work with the new one."""

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
    """Returns every table as both sides hold it, after all rows were carried across.

    Args:
        source_url: where the rows are.
        target_url: an empty database, or one into which the same move was begun; the program is pointed at it.
        watch: told how many rows are there, then how many were compared.
        parameters: most values in one statement.

    Raises:
        NotDone: the target holds other rows, the source is missing, or an engine refused something.
        schema.WrongSchema: either side has another schema version.

    Notes:
        Until both sides were found equal the target says that it is being filled, so that no command works with it. A move broken off
        goes on after the highest number of each table: a chunk is one transaction, so it is there or it is not.
    """
    with reader(source_url) as source, in_words(f"The move to {shown(target_url)} broke off"):
        require_current(source, source_url)
        target = _opened(target_url)
        try:
            with one_moment(source):
                _refuse_foreign(source, target, target_url)
                _say_version(schema.FILLING)
                carried = copy_rows.carry(source, target, watch, parameters)
            copy_rows.set_numbering(target)
            # Read anew, so that what was written to the source meanwhile shows.
            with one_moment(source):
                found = copy_rows.compare(source, target, watch)
            compared = [replace(table, carried=carried[table.table]) for table in found]
            if all(table.equal for table in compared):
                _say_version(schema.VERSION)
        finally:
            database.disconnect()
    return compared


def _opened(url: str) -> Database:
    if (path := file_of(url)) is not None:
        _require_room(path)
    database.open_database(url)
    database.connect()
    if path is not None:
        leave_mark(str(path))
    if schema.found_version(database.db) != schema.FILLING:
        schema.ensure_schema()
    opened: Database = database.db.obj
    return opened


def _require_room(path: Path) -> None:
    """Refuses a file of another program, and the log of a database that is missing: SQLite would take it for that of the new one."""
    if holds_content(path):
        require_ours(path)
        return
    for left in logs_of(path):
        if left.exists():
            raise NotDone(f"{left} is left of a database that is missing. Move it away, then run lots move again.")


def _refuse_foreign(source: Database, target: Database, url: str) -> None:
    astray = copy_rows.foreign(source, target)
    if astray:
        raise NotDone(
            f"{shown(url)} holds rows that the source does not have, in {', '.join(astray)}: they came from elsewhere, "
            "or the source was changed after a move had begun. Name an empty database with --to."
        )


def _say_version(version: int) -> None:
    with database.transaction():
        SchemaVersion.update(version=version).execute()
