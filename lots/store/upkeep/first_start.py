"""Creation of a new SQLite database. A missing database is recreated only on request, because an empty one would hide the loss."""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from lots.store.engine import database
from lots.store.engine.write_lock import first_turn, leave_mark, mark_of, turn
from lots.store.upkeep import schema
from lots.store.upkeep.database_handles import NotDone, file_of, holds_content, open_file, require_ours, shown
from lots.store.upkeep.sqlite_files import logs_aside, logs_of, part_of

_log = logging.getLogger(__name__)
# Longest wait for another process that creates the database, s.
_PATIENCE_S = 10.0


class NoDatabase(NotDone):
    """The database is missing and may not be created without a request."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """The permissions for a missing database.

    Attributes:
        make: True creates the SQLite file of a first start, and the tables of an empty database.
        new: True also creates a file in place of a missing one, and raises for an existing database.
    """

    make: bool = True
    new: bool = False


def prepare(url: str, statement_s: float | None = None, wanted: Wanted = Wanted()) -> bool:  # it cannot be changed
    """Opens a database and ensures the tables of this version. Returns True when the database was new.

    Args:
        url: of the database.
        statement_s: see `database.open_database`.
        wanted: permissions for a missing database.

    Raises:
        NoDatabase: the database is missing and may not be created.
        NotDone: the path is a folder or not a database, or `wanted.new` is True and the database exists.
        lots.store.upkeep.schema.WrongSchema: the database was made by another version.
        lots.store.engine.database.Unavailable: the database cannot be reached.
    """
    made = open_wanted(url, statement_s, wanted)
    try:
        if schema.found_version(database.db) is None:
            made = True
        schema.ensure_schema()
    finally:
        database.disconnect()
    return made


def open_wanted(url: str, statement_s: float | None = None, wanted: Wanted = Wanted()) -> bool:  # the same
    """Opens a database of any schema version and connects this thread. Returns True when its file was created.

    Raises:
        NoDatabase: the database is missing or empty, and may not be created.
        NotDone: as in `prepare`.
        lots.store.engine.database.Unavailable: the database cannot be reached.
    """
    database.close()
    path = file_of(url)
    left, made = [], False
    if path is not None:
        left = _traces(path)
        made = _create_if_permitted(path, left, wanted)
    database.open_database(url, statement_s)
    database.connect()
    try:
        _require_wanted(url, left, wanted, made=made)
    except BaseException:
        database.disconnect()
        raise
    if path is not None:
        leave_mark(str(path))
    return made


def _require_wanted(url: str, left: list[Path], wanted: Wanted, *, made: bool) -> None:
    path = file_of(url)
    if schema.found_version(database.db) is not None:
        if wanted.new and not made:
            raise NotDone(f"The database {shown(url)} exists already. Start without --new to use it.")
        return
    if not wanted.make:
        raise NoDatabase(
            f"The database {shown(url)} is empty. Check LOTS_DATABASE, or run lots serve to create its tables."
        )
    if path is not None and left and not wanted.new:
        _wait_for_creator(path)
        if schema.found_version(database.db) is None:
            raise NoDatabase(_missing_message(path, left, "is empty"))


def _create_if_permitted(path: Path, left: list[Path], wanted: Wanted) -> bool:
    """Creates a missing database file if permitted. Returns True when it was created."""
    if left and not wanted.new and not holds_content(path):
        _wait_for_creator(path)
        if not holds_content(path):
            raise NoDatabase(_missing_message(path, left, "is empty" if path.exists() else "is missing"))
    if holds_content(path):
        require_ours(path)
        return False
    if not wanted.make:
        missing = f"{path} is empty" if path.exists() else f"There is no database {path}"
        raise NoDatabase(
            f"{missing}. Check LOTS_DATABASE and the current folder, or run lots serve to create a new database."
        )
    return _create(path)


def _create(path: Path) -> bool:
    """Creates a database with its tables under a temporary name, then renames it. Returns False when its file exists by then."""
    mark = mark_of(path)
    had = mark.exists()
    try:
        with first_turn(str(path), _PATIENCE_S):
            if holds_content(path):
                return False
            real = Path(os.path.realpath(path))
            if (kept := logs_aside(real, datetime.now(UTC))) is not None:
                _log.warning("the log of the missing database is kept in %s", kept)
            if path.exists():
                return False
            with part_of(real) as part:
                _fill(part)
                _rename_if_free(part, real)
    except BaseException:
        # Without a new database, the lock file must not suggest one.
        if not had and not path.exists():
            mark.unlink(missing_ok=True)
        raise
    return True


def _fill(part: Path) -> None:
    open_file(part)
    try:
        schema.ensure_schema()
        database.db.execute_sql("PRAGMA journal_mode = wal")
    finally:
        database.close()


def _rename_if_free(part: Path, path: Path) -> None:
    """Renames a file unless the new name exists by now."""
    try:
        os.link(part, path)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            part.rename(path)


def _wait_for_creator(path: Path) -> None:
    """Waits for another process that is creating the database and holds its lock."""
    if mark_of(path).exists():
        with turn(str(path), _PATIENCE_S):
            pass


def _traces(path: Path) -> list[Path]:
    """Returns the files beside a database that prove its present or former existence."""
    real = Path(os.path.realpath(path))
    return [trace for trace in (mark_of(path), *logs_of(real)) if trace.exists()]


def _missing_message(path: Path, left: list[Path], what: str) -> str:
    return (
        f"The database file {path} {what}, but {left[0].name} shows that a database existed. Put the file back, or restore a "
        "backup with lots restore. Only lots serve --new creates an empty database here."
    )
