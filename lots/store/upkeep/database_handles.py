"""The two ends of a copy: a database opened beside the one the program works with, and how either is named in a message."""

from __future__ import annotations

import os
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from peewee import Database, PeeweeException, SqliteDatabase

from lots.store.engine import database, database_url
from lots.store.engine.database import Damaged, Unavailable
from lots.store.engine.pools import Server
from lots.store.engine.troubles import is_locked, on_opening, trouble
from lots.store.engine.write_lock import is_open_elsewhere, mark_of, marked_number
from lots.store.upkeep import schema

# Told what is being done, how much of it is, and of how much.
Watch = Callable[[str, int, int], None]


class NotDone(Exception):
    """Looking after a database failed, or was refused; the message says why and what to do."""


def unwatched(_doing: str, _done: int, _of: int) -> None:
    """Nobody is told how far it has come."""


def file_of(url: str) -> Path | None:
    """Returns the file that an SQLite URL names, in full, or None for PostgreSQL.

    Example:
        >>> str(file_of("sqlite:////srv/shop/lots.sqlite3"))
        '/srv/shop/lots.sqlite3'
        >>> file_of("postgresql://lots@db/lots") is None
        True
    """
    return Path(database_url.sqlite_path(url)).absolute() if url.startswith("sqlite:") else None


def shown(where: str | Path) -> str:
    """Returns a path or a URL fit to be read by others: without its password."""
    return database_url.shown(str(where))


@contextmanager
def in_words(doing: str) -> Iterator[None]:
    """Turns what an engine raises into `NotDone`.

    Args:
        doing: what was being done, to begin the message with.
    """
    try:
        yield
    except (PeeweeException, sqlite3.Error, Unavailable) as error:
        raise NotDone(f"{doing}: {_in_one_line(error)}") from error


def _in_one_line(error: BaseException) -> str:
    if is_locked(error):
        return "it is locked by another program. Close that program, then try again."
    lines = str(error).splitlines() or [type(error).__name__]
    advice = " Restore the last backup with lots restore --replace." if isinstance(trouble(error), Damaged) else ""
    return f"{lines[0].rstrip('.')}.{advice}"


def holds_content(path: Path) -> bool:
    """Returns True for a file that begins as an SQLite database and has its length; False where there is none, or an empty one.

    Raises:
        NotDone: there is something else, no folder, a file that may not be read, one that was cut short, or one whose log is missing
            or another file's.

    Notes:
        To be asked before SQLite opens a file: SQLite removes the log beside an empty one.
    """
    size = size_at(path)
    if not size:
        return False
    try:
        with path.open("rb") as begun:
            header = begun.read(_HEADER)
    except OSError as error:
        raise _unreadable(path, error) from None
    if not header.startswith(b"SQLite format 3\0"):
        raise NotDone(f"{path} cannot be opened: it is not a database of SQLite. Name another file.")
    _require_whole(path, header, size)
    return True


def size_at(path: Path) -> int | None:
    """Returns how many bytes the file at a path has, None where there is none.

    Raises:
        NotDone: there is something other than a file, no folder for one, or it may not be looked at.
    """
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        folder = Path(os.path.realpath(path)).parent
        if not folder.is_dir():
            raise NotDone(f"There is no folder {folder}. Make it, or name a file in another one.") from None
        return None
    except OSError as error:
        raise _unreadable(path, error) from None
    if stat.S_ISDIR(found.st_mode):
        raise NotDone(f"{path} is a folder. Name a file in it, as in {path}/lots.sqlite3.")
    if not stat.S_ISREG(found.st_mode):
        raise NotDone(f"{path} is not a file that can hold a database. Name another one.")
    return found.st_size


def _unreadable(path: Path, error: OSError) -> NotDone:
    return NotDone(
        f"{path} cannot be read ({error.strerror}). Give this user permission to read and write it and its folder."
    )


# Longer than SQLite takes between making a log and making its index, s.
_MOMENT_S = 0.1
# The beginning of an SQLite file that says how long it is (sqlite.org, "Database File Format", section 1.3).
_HEADER = 100


def _require_file(path: Path) -> None:
    if holds_content(path):
        return
    if not path.exists():
        raise NotDone(f"There is no file {path}. Check its name.")
    log = Path(f"{os.path.realpath(path)}-wal")
    if log.exists():
        raise NotDone(
            f"{path} is empty, but its log {log.name} is beside it. Restore the last backup with lots restore."
        )


def _require_whole(path: Path, header: bytes, size: int) -> None:
    real = os.path.realpath(path)
    log, index = Path(f"{real}-wal"), Path(f"{real}-shm")
    _require_log(path, log, index)
    pages, page_size = int.from_bytes(header[28:32]), int.from_bytes(header[16:18])
    needed = max(_HEADER, pages * (65_536 if page_size == 1 else page_size))
    # What the header says holds only when its two counters are the same; pages that are missing may be in the log.
    known = header[24:28] == header[92:96] and not _has_content(log)
    if size < _HEADER or (known and size < needed):
        raise NotDone(
            f"{path} is cut short: {size:,} of {needed:,} bytes are there. Restore the last backup with lots restore --replace."
        )


def _require_log(path: Path, log: Path, index: Path) -> None:
    """Refuses a database whose log or its index was removed while it was in use, or whose log is another file's."""
    if not log.exists() and index.exists() and not log.exists():
        raise NotDone(
            f"{log} is missing, which holds the last changes, though {index.name} is there. Stop every program that uses the "
            f"database: the last one writes the changes back. If {index.name} stays, move it away; then run lots check."
        )
    if _lacks_index(path, log, index):
        raise NotDone(
            f"{index} is missing though a program uses the database: what two programs write now would be lost. Stop every program that uses "
            "it, then try again."
        )
    if _has_content(log) and marked_number(path) not in (None, path.stat().st_ino):
        raise NotDone(
            f"{path} is not the file that the log {log.name} belongs to: it was replaced while it was in use or after a crash. Stop every "
            f"program that uses it and move {log.name} and {index.name} away; or, if all was copied together, remove {mark_of(path).name}."
        )


def _lacks_index(path: Path, log: Path, index: Path) -> bool:
    """True when a program works with a log whose index has no name any more. One that opens the database makes both within a moment."""
    for pause_s in (_MOMENT_S, 0.0):
        if not log.exists() or index.exists() or not is_open_elsewhere(str(path)):
            return False
        time.sleep(pause_s)
    return True


def _has_content(log: Path) -> bool:
    try:
        return log.stat().st_size > 0
    except OSError:
        return False


@contextmanager
def reader(where: str | Path) -> Iterator[Database]:
    """A database, by its URL or as an SQLite file, opened beside the one the models use. From it is only read.

    Raises:
        NotDone: there is no such file, or it cannot be opened.
        ImportError: PostgreSQL is asked for and its driver is not installed.

    Notes:
        A file is not made when it is missing, and keeps its journal mode. It is opened as for writing, since a reader of a write-ahead log
        leaves files behind otherwise; a file that may not be written to is read all the same.
    """
    path = where if isinstance(where, Path) else file_of(where)
    if path is None:
        engine = database.postgresql(str(where), None)
    else:
        _require_file(path)
        pragmas = {"busy_timeout": round(1000 * database.PATIENCE_S), "query_only": 1}
        engine = SqliteDatabase(f"{path.absolute().as_uri()}?mode=rw", pragmas=pragmas, uri=True, autoconnect=False)
    try:
        engine.connect()
    except PeeweeException as error:
        raise NotDone(str(on_opening(error, shown(where)))) from error
    try:
        yield engine
    finally:
        engine.close()
        if isinstance(engine, Server):
            engine.close_all()


@contextmanager
def one_moment(engine: Database) -> Iterator[None]:
    """Within it a database is read as it stands at one moment, whoever writes to it meanwhile; it keeps nobody waiting."""
    on_file = isinstance(engine, SqliteDatabase)
    with engine.transaction("DEFERRED" if on_file else "REPEATABLE READ"):
        if not on_file:
            engine.execute_sql("SET TRANSACTION READ ONLY")
        # The moment is that of the first read.
        engine.execute_sql("SELECT COUNT(*) FROM schema_version")
        yield


def require_ours(path: Path) -> None:
    """Refuses a file with the tables of another program, before anything in it is changed.

    Raises:
        lots.store.upkeep.schema.WrongSchema: it has other tables.
        NotDone: it cannot be read.
    """
    with reader(path) as engine, in_words(f"{path} cannot be read"):
        schema.found_version(engine)


def require_current(engine: Database, where: str | Path) -> None:
    """Refuses to read from a database of another schema version.

    Args:
        engine: as `reader` gives it.
        where: what it was opened as.

    Raises:
        schema.WrongSchema: it has no tables, or those of something else, or of another version.
        NotDone: it cannot be read.
    """
    with in_words(f"{shown(where)} cannot be read"):
        try:
            found = schema.found_version(engine)
        except schema.WrongSchema:
            found = None
    if found is None:
        raise schema.WrongSchema(f"{shown(where)} holds no tables of this program. Name another database.")
    schema.require_version(found, which=shown(where))


def open_file(path: Path) -> None:
    """Points the models at an SQLite file, made when it is missing, without a write-ahead log: it is one file at every moment."""
    database.close()
    pragmas = {"foreign_keys": 1, "synchronous": "full", "busy_timeout": 10_000}
    database.db.initialize(SqliteDatabase(str(path), pragmas=pragmas, lock_type="IMMEDIATE", autoconnect=False))
    database.connect()
