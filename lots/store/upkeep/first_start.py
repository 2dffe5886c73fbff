"""Where a new SQLite database may be made: only where there never was one, unless somebody asks for it."""

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
# How long to wait for another process that makes the database at this moment, s.
_PATIENCE_S = 10.0


class NoDatabase(NotDone):
    """There is no database where the settings name one, and none may be made there unless somebody asks for it."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What may be done where there is no database.

    Attributes:
        make: an SQLite file is made where there never was one, and an empty database gets its tables.
        new: an SQLite file is made where there was one, too; a database that is there is refused.
    """

    make: bool = True
    new: bool = False


def prepare(url: str, statement_s: float | None = None, wanted: Wanted = Wanted()) -> bool:  # it cannot be changed
    """Points the program at a database, which has the tables of this version afterwards. Returns True when it had none.

    Args:
        url: of the database.
        statement_s: see `database.open_database`.
        wanted: what may be done where there is none.

    Raises:
        NoDatabase: there is none, and it may not be made.
        NotDone: the path is a folder or no database; or a new one was asked for where there is one.
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
    """Opens a database and this thread's connection to it; True when its file was made. Its tables may be of any version.

    Raises:
        NoDatabase: there is none, or it is empty, and it may not be made.
        NotDone: as `prepare`.
        lots.store.engine.database.Unavailable: the database cannot be reached.
    """
    database.close()
    path = file_of(url)
    left, made = [], False
    if path is not None:
        left = _traces(path)
        made = _ready_file(path, left, wanted)
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
            raise NotDone(f"{shown(url)} holds a database already. Start without --new to work with it.")
        return
    if not wanted.make:
        raise NoDatabase(f"{shown(url)} is empty. Check LOTS_DATABASE; lots serve gives an empty database its tables.")
    if path is not None and left and not wanted.new:
        _wait_for_maker(path)
        if schema.found_version(database.db) is None:
            raise NoDatabase(_words(path, left, "is empty"))


def _ready_file(path: Path, left: list[Path], wanted: Wanted) -> bool:
    """Makes the file of a database where it may be made; True when it was."""
    if left and not wanted.new and not holds_content(path):
        _wait_for_maker(path)
        if not holds_content(path):
            raise NoDatabase(_words(path, left, "is empty" if path.exists() else "is missing"))
    if holds_content(path):
        require_ours(path)
        return False
    if not wanted.make:
        missing = f"{path} is empty" if path.exists() else f"There is no database {path}"
        raise NoDatabase(
            f"{missing}. Check LOTS_DATABASE and the folder this is run in; lots serve makes a new database."
        )
    return _made(path)


def _made(path: Path) -> bool:
    """Makes a database with its tables, whole before it gets its name; False when it is there by then or its file is, empty."""
    mark = mark_of(path)
    had = mark.exists()
    try:
        with first_turn(str(path), _PATIENCE_S):
            if holds_content(path):
                return False
            real = Path(os.path.realpath(path))
            if (kept := logs_aside(real, datetime.now(UTC))) is not None:
                _log.warning("what is left of the database that is missing is kept in %s", kept)
            if path.exists():
                return False
            with part_of(real) as part:
                _fill(part)
                _put(part, real)
    except BaseException:
        # Where nothing was made there was no database either.
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


def _put(part: Path, path: Path) -> None:
    """Gives a file its name unless another file has it by now."""
    try:
        os.link(part, path)
    except FileExistsError:
        return
    except OSError:  # a file system without hard links
        if not path.exists():
            part.rename(path)


def _wait_for_maker(path: Path) -> None:
    """Waits for another process that makes the database at this moment: it has the turn."""
    if mark_of(path).exists():
        with turn(str(path), _PATIENCE_S):
            pass


def _traces(path: Path) -> list[Path]:
    """Files that lie beside a database and show that there is one, or was."""
    real = Path(os.path.realpath(path))
    return [trace for trace in (mark_of(path), *logs_of(real)) if trace.exists()]


def _words(path: Path, left: list[Path], what: str) -> str:
    return (
        f"The database file {path} {what}, but there was one: {left[0].name} is still beside it. Put the file back, or restore a "
        "backup with lots restore. Only lots serve --new makes an empty database here."
    )
