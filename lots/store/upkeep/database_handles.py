"""The two ends of a copy: a database opened beside the one the program works with, and how either is named in a message."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from peewee import PeeweeException, SqliteDatabase
from playhouse.db_url import parse

from lots.store.engine import database
from lots.store.engine.database import Unavailable
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
    return Path(parse(url)["database"]).absolute() if url.startswith("sqlite:") else None


def shown(where: str | Path) -> str:
    """Returns a path or a URL fit to be read by others: without its password.

    Example:
        >>> shown("postgresql://lots:s3cr@t@db/lots?password=x&connect_timeout=5")
        'postgresql://lots:***@db/lots?password=***&connect_timeout=5'
        >>> shown("postgresql://lots@db/lots")
        'postgresql://lots@db/lots'
    """
    return re.sub(r"(password=)[^&]*", r"\1***", re.sub(r"://([^:@/]*):.*@", r"://\1:***@", str(where)))


@contextmanager
def in_words(doing: str) -> Iterator[None]:
    """Turns what an engine raises into `NotDone`.

    Args:
        doing: what was being done, to begin the message with.
    """
    try:
        yield
    except (PeeweeException, sqlite3.Error, Unavailable) as error:
        lines = str(error).splitlines() or [type(error).__name__]
        raise NotDone(f"{doing}: {lines[0].rstrip('.')}.") from error


@contextmanager
def reader(where: str | Path) -> Iterator[Any]:
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
    elif path.is_file():
        pragmas = {"busy_timeout": 10_000, "query_only": 1}
        engine = SqliteDatabase(f"{path.absolute().as_uri()}?mode=rw", pragmas=pragmas, uri=True, autoconnect=False)
    else:
        raise NotDone(f"There is no file {path}.")
    with in_words(f"{shown(where)} cannot be opened"):
        engine.connect()
    try:
        yield engine
    finally:
        engine.close()
        if path is None:
            engine.close_all()


@contextmanager
def one_moment(engine: Any) -> Iterator[None]:
    """Within it a database is read as it stands at one moment, whoever writes to it meanwhile; it keeps nobody waiting."""
    on_file = isinstance(engine, SqliteDatabase)
    with engine.transaction("DEFERRED" if on_file else "REPEATABLE READ"):
        if not on_file:
            engine.execute_sql("SET TRANSACTION READ ONLY")
        # The moment is that of the first read.
        engine.execute_sql("SELECT COUNT(*) FROM schema_version")
        yield


def require_current(engine: Any, where: str | Path) -> None:
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
        raise schema.WrongSchema(f"{shown(where)} holds no tables of this program.")
    schema.require_version(found, which=shown(where))


def open_file(path: Path) -> None:
    """Points the models at an SQLite file, made when it is missing, without a write-ahead log: it is one file at every moment."""
    database.close()
    pragmas = {"foreign_keys": 1, "synchronous": "full", "busy_timeout": 10_000}
    database.db.initialize(SqliteDatabase(str(path), pragmas=pragmas, lock_type="IMMEDIATE", autoconnect=False))
    database.connect()
