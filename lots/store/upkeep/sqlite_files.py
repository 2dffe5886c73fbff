"""Verified snapshot copies of SQLite files, and the files beside a database."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path

from peewee import Database

from lots.store.upkeep.database_handles import NotDone, Watch, in_words, one_moment, reader, unwatched
from lots.store.upkeep.schema import found_version

# Pages copied between two reports of the progress: 4 MiB at the default page size.
_PAGES = 1024


def copy_file(source: Path, target: Path, like: Path | None, watch: Watch = unwatched) -> int:
    """Copies a database, verifies the copy and returns its number of rows.

    Args:
        source: an SQLite database of any schema version.
        target: the new file.
        like: the file whose permissions the copy gets; until then only its owner may read it. None for default permissions.
        watch: shows the progress in pages.

    Raises:
        NotDone: the source is unreadable, or the copy cannot be written or differs.
        lots.store.upkeep.schema.WrongSchema: the source has other tables.
    """
    with in_words(f"{source} cannot be copied"), reader(source) as engine:
        version = found_version(engine)
        if version is None:
            raise NotDone(f"{source} is empty and has no tables yet. Name another file.")
        if like:
            target.touch(mode=0o600)
        with one_moment(engine), closing(sqlite3.connect(target, isolation_level=None)) as copy:
            rows = row_counts(engine)
            engine.connection().backup(
                copy, pages=_PAGES, progress=lambda _, left, of: watch("Copying pages", of - left, of)
            )
            # Without a write-ahead log the copy is a single file.
            copy.execute("PRAGMA journal_mode = DELETE")
    if like:
        shutil.copymode(like, target)
    verify_file(target, version, rows)
    return sum(rows.values())


def verify_file(path: Path, version: int, rows: dict[str, int]) -> None:
    """Checks a copy.

    Args:
        path: the copy.
        version: its expected schema version.
        rows: table -> expected number of rows.

    Raises:
        NotDone: the copy is damaged, a foreign key is broken, or the version or a number of rows differs.
    """
    with in_words(f"{path} cannot be verified"), reader(path) as engine:
        said = engine.execute_sql("PRAGMA integrity_check").fetchone()[0]
        if said != "ok":
            raise NotDone(f"{path} is damaged: {said}")
        if engine.execute_sql("PRAGMA foreign_key_check").fetchone():
            raise NotDone(f"{path} has rows that refer to missing rows.")
        if (found_version(engine), row_counts(engine)) != (version, rows):
            raise NotDone(f"{path} differs from its original.")


def row_counts(engine: Database) -> dict[str, int]:
    """Returns the number of rows per table of an SQLite file, without the schema version. One query per table."""
    names = [name for name in engine.get_tables() if name != "schema_version" and not name.startswith("sqlite_")]
    return {name: engine.execute_sql(f'SELECT COUNT(*) FROM "{name}"').fetchone()[0] for name in names}  # noqa: S608


@contextmanager
def part_of(path: Path) -> Iterator[Path]:
    """Yields a temporary path beside `path`. Files that still have it at the end are deleted."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.unlink(missing_ok=True)
    try:
        yield part
    finally:
        for leftover in (part, *logs_of(part)):
            leftover.unlink(missing_ok=True)


def make_way(file: Path, now: datetime) -> Path:
    """Renames an SQLite file and its log, and returns the new path.

    Raises:
        NotDone: the file is in use.
    """
    aside = file.with_name(f"{file.name}.before-restore-{stamp(now)}")
    if aside.exists():
        raise NotDone(f"{aside} exists already. Try again.")
    close_log(file)
    for old, new in zip((file, *_logs(file)), (aside, *_logs(aside)), strict=True):
        if old.exists():
            old.rename(new)
    return aside


def logs_aside(file: Path, now: datetime) -> Path | None:
    """Renames the log of a missing database, and returns its new path, or None without a log.

    Notes:
        SQLite would apply the log to the next database of this name and overwrite its pages.
    """
    kept = None
    for old in logs_of(file):
        if old.exists():
            kept = old.with_name(f"{file.name}.left-{stamp(now)}{old.name.removeprefix(file.name)}")
            old.rename(kept)
    return kept


def is_sqlite(file: Path) -> bool:
    """Returns True when a file begins with SQLite's magic string.

    Notes:
        Call it before SQLite opens a file that may be damaged, because SQLite would delete the log beside it.
    """
    with file.open("rb") as begun:
        return begun.read(16) == b"SQLite format 3\0"


def close_log(file: Path) -> None:
    """Writes the log of an SQLite file into the file (checkpoint). A damaged file and its log are left unchanged.

    Raises:
        NotDone: the file is in use.
    """
    if not is_sqlite(file):
        return
    try:
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=rw", uri=True, isolation_level=None)) as old:
            old.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise NotDone(f"{file} is in use. Stop the server first.") from error


def stamp(now: datetime) -> str:
    """Returns a time in UTC in a form for file names.

    Example:
        >>> from datetime import UTC, datetime
        >>> stamp(datetime(2026, 11, 25, 14, 5, 9, tzinfo=UTC))
        '20261125T140509Z'
    """
    return f"{now:%Y%m%dT%H%M%SZ}"


def _logs(file: Path) -> tuple[Path, Path]:
    return file.with_name(f"{file.name}-wal"), file.with_name(f"{file.name}-shm")


def logs_of(file: Path) -> tuple[Path, ...]:
    """Returns the paths of a database's log index, rollback journal and write-ahead log."""
    return tuple(file.with_name(f"{file.name}{suffix}") for suffix in ("-shm", "-journal", "-wal"))
