"""Handles for copies: a second database opened for reading, checks of its file, and its name in messages."""

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

# Shows progress: the name of the task, the amount done, and the total amount.
Watch = Callable[[str, int, int], None]


class NotDone(Exception):
    """A maintenance task failed or is not possible. The message has the reason and the remedy."""


def unwatched(_doing: str, _done: int, _of: int) -> None:
    """Shows no progress."""


def file_of(url: str) -> Path | None:
    """Returns the absolute path of an SQLite URL, or None for PostgreSQL.

    Example:
        >>> str(file_of("sqlite:////srv/shop/lots.sqlite3"))
        '/srv/shop/lots.sqlite3'
        >>> file_of("postgresql://lots@db/lots") is None
        True
    """
    return Path(database_url.sqlite_path(url)).absolute() if url.startswith("sqlite:") else None


def shown(where: str | Path) -> str:
    """Returns a path or a URL with its password masked."""
    return database_url.shown(str(where))


@contextmanager
def in_words(doing: str) -> Iterator[None]:
    """Raises an engine's errors in a block as `NotDone`.

    Args:
        doing: the beginning of the message.
    """
    try:
        yield
    except (PeeweeException, sqlite3.Error, Unavailable) as error:
        raise NotDone(f"{doing}: {_one_line(error)}") from error


def _one_line(error: BaseException) -> str:
    if is_locked(error):
        return "it is locked by another program. Close that program, then try again."
    lines = str(error).splitlines() or [type(error).__name__]
    advice = " Restore the last backup with lots restore --replace." if isinstance(trouble(error), Damaged) else ""
    return f"{lines[0].rstrip('.')}.{advice}"


def holds_content(path: Path) -> bool:
    """Returns True for a complete SQLite database file, False for a missing or empty file.

    Raises:
        NotDone: the path has something else, its folder is missing, the file is unreadable or cut short, or its log is missing or
            belongs to another file.

    Notes:
        Call it before SQLite opens the file, because SQLite deletes the log of an empty file.
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
        raise NotDone(f"{path} is not a database of SQLite. Name another file.")
    _require_whole(path, header, size)
    return True


def size_at(path: Path) -> int | None:
    """Returns the size of a file, bytes, or None for a missing file.

    Raises:
        NotDone: the path is not a file, its folder is missing, or access is denied.
    """
    try:
        found = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        folder = Path(os.path.realpath(path)).parent
        if not folder.is_dir():
            raise NotDone(f"There is no folder {folder}. Create it, or name a file in another folder.") from None
        return None
    except OSError as error:
        raise _unreadable(path, error) from None
    if stat.S_ISDIR(found.st_mode):
        raise NotDone(f"{path} is a folder. Name a file, as in {path}/lots.sqlite3.")
    if not stat.S_ISREG(found.st_mode):
        raise NotDone(f"{path} is not a file. Name another one.")
    return found.st_size


def _unreadable(path: Path, error: OSError) -> NotDone:
    return NotDone(
        f"{path} cannot be read ({error.strerror}). Give this user permission to read and write it and its folder."
    )


# Longer than the time between SQLite's creation of a log and of its index, s.
_INDEX_DELAY_S = 0.1
# Bytes of an SQLite file's header, which holds its length (sqlite.org, "Database File Format", section 1.3).
_HEADER = 100


def _require_file(path: Path) -> None:
    if holds_content(path):
        return
    if not path.exists():
        raise NotDone(f"There is no file {path}. Check its name.")
    log = Path(f"{os.path.realpath(path)}-wal")
    if log.exists():
        raise NotDone(f"{path} is empty, but its log {log.name} exists. Restore the last backup with lots restore.")


def _require_whole(path: Path, header: bytes, size: int) -> None:
    real = os.path.realpath(path)
    log, index = Path(f"{real}-wal"), Path(f"{real}-shm")
    _require_log(path, log, index)
    pages, page_size = int.from_bytes(header[28:32]), int.from_bytes(header[16:18])
    needed = max(_HEADER, pages * (65_536 if page_size == 1 else page_size))
    # The page count is valid only if both counters of the header are equal. Missing pages may be in the log.
    known = header[24:28] == header[92:96] and not _has_content(log)
    if size < _HEADER or (known and size < needed):
        raise NotDone(
            f"{path} is cut short: it has {size:,} of {needed:,} bytes. Restore an intact backup with lots restore --replace."
        )


def _require_log(path: Path, log: Path, index: Path) -> None:
    """Raises NotDone when the log or its index was removed while the database was in use, or the log belongs to another file."""
    if not log.exists() and index.exists() and not log.exists():
        raise NotDone(
            f"The log {log} is missing, but {index.name} exists. Stop every program that uses the database. The last one writes its "
            f"changes into the database. If {index.name} remains, move it away. Then run lots check."
        )
    if _lacks_index(path, log, index):
        raise NotDone(
            f"{index} is missing while a program uses the database. Changes of a second program would be lost. Stop every program that "
            "uses the database, then try again."
        )
    if _has_content(log) and marked_number(path) not in (None, path.stat().st_ino):
        raise NotDone(
            f"The log {log.name} belongs to another file than {path}, which was replaced in use or after a crash. Stop every program that "
            f"uses it and move {log.name} and {index.name} away. If you copied all files together, remove {mark_of(path).name} instead."
        )


def _lacks_index(path: Path, log: Path, index: Path) -> bool:
    """Returns True when a program uses a log without an index file. A program that opens the database creates both within a moment."""
    for pause_s in (_INDEX_DELAY_S, 0.0):
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
    """Opens a second database read-only, by its URL or as an SQLite file.

    Raises:
        NotDone: the file does not exist or cannot be opened.
        ImportError: the PostgreSQL driver is not installed.

    Notes:
        A missing file is not created, and the journal mode is not changed. The file is opened in read-write mode, because a read-only
        connection would leave files of the write-ahead log behind. A file without write permission is read nevertheless.
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
    """Reads a consistent snapshot of a database within a block. Writers do not wait for it."""
    on_file = isinstance(engine, SqliteDatabase)
    with engine.transaction("DEFERRED" if on_file else "REPEATABLE READ"):
        if not on_file:
            engine.execute_sql("SET TRANSACTION READ ONLY")
        # The snapshot begins with the first read.
        engine.execute_sql("SELECT COUNT(*) FROM schema_version")
        yield


def require_ours(path: Path) -> None:
    """Checks that a file has no tables of another program.

    Raises:
        lots.store.upkeep.schema.WrongSchema: the file has other tables.
        NotDone: the file cannot be read.
    """
    with reader(path) as engine, in_words(f"{path} cannot be read"):
        schema.found_version(engine)


def require_current(engine: Database, where: str | Path) -> None:
    """Checks that a database has the current schema version.

    Args:
        engine: from `reader`.
        where: its path or URL, for messages.

    Raises:
        schema.WrongSchema: the database has no tables, other tables, or another version.
        NotDone: the database cannot be read.
    """
    with in_words(f"{shown(where)} cannot be read"):
        try:
            found = schema.found_version(engine)
        except schema.WrongSchema:
            found = None
    if found is None:
        raise schema.WrongSchema(f"{shown(where)} has no tables of this program. Name another database.")
    schema.require_version(found, which=shown(where))


def open_file(path: Path) -> None:
    """Binds the models to an SQLite file without a write-ahead log, so that the database is always a single file. Creates a missing file."""
    database.close()
    pragmas = {"foreign_keys": 1, "synchronous": "full", "busy_timeout": 10_000}
    database.db.initialize(SqliteDatabase(str(path), pragmas=pragmas, lock_type="IMMEDIATE", autoconnect=False))
    database.connect()
