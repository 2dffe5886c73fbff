"""Copies of an SQLite file: made at one moment while others write to it, verified, and put where they belong only then."""

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

# Pages copied at a time, 4 MiB of the usual ones: between two of them it is told how far it has come.
_PAGES = 1024


def copy_file(source: Path, target: Path, like: Path | None, watch: Watch = unwatched) -> int:
    """Returns how many rows were copied, all of them verified in the copy.

    Args:
        source: an SQLite database, of any schema version.
        target: the file to make.
        like: the file whose permissions it gets, from the beginning nobody else's; None for those that any new file gets.
        watch: told how many pages are copied.

    Raises:
        NotDone: the source cannot be read, the copy cannot be written, or it is not right.
        lots.store.upkeep.schema.WrongSchema: the source holds other tables.
    """
    with in_words(f"{source} cannot be copied"), reader(source) as engine:
        version = found_version(engine)
        if version is None:
            raise NotDone(f"{source} is empty: it has no tables yet. Name another file.")
        if like:
            target.touch(mode=0o600)
        with one_moment(engine), closing(sqlite3.connect(target, isolation_level=None)) as copy:
            rows = row_counts(engine)
            engine.connection().backup(
                copy, pages=_PAGES, progress=lambda _, left, of: watch("Copying pages", of - left, of)
            )
            # A write-ahead log would make three files of one.
            copy.execute("PRAGMA journal_mode = DELETE")
    if like:
        shutil.copymode(like, target)
    verify_file(target, version, rows)
    return sum(rows.values())


def verify_file(path: Path, version: int, rows: dict[str, int]) -> None:
    """Opens a copy and looks whether it is whole.

    Args:
        path: the copy.
        version: the schema version it must have.
        rows: how many rows each table must have.

    Raises:
        NotDone: it is damaged, a row refers to none, or it has another version or other rows.
    """
    with in_words(f"{path} cannot be verified"), reader(path) as engine:
        said = engine.execute_sql("PRAGMA integrity_check").fetchone()[0]
        if said != "ok":
            raise NotDone(f"{path} is damaged: {said}")
        if engine.execute_sql("PRAGMA foreign_key_check").fetchone():
            raise NotDone(f"{path} has rows that refer to rows it does not have.")
        if (found_version(engine), row_counts(engine)) != (version, rows):
            raise NotDone(f"{path} does not hold what it was copied from.")


def row_counts(engine: Database) -> dict[str, int]:
    """Returns how many rows each table of an SQLite file has, but for the one that says its version. One query per table."""
    names = [name for name in engine.get_tables() if name != "schema_version" and not name.startswith("sqlite_")]
    return {name: engine.execute_sql(f'SELECT COUNT(*) FROM "{name}"').fetchone()[0] for name in names}  # noqa: S608


@contextmanager
def part_of(path: Path) -> Iterator[Path]:
    """A name beside `path` to work under; what still has it at the end is removed."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.unlink(missing_ok=True)
    try:
        yield part
    finally:
        for leftover in (part, *logs_of(part)):
            leftover.unlink(missing_ok=True)


def make_way(file: Path, now: datetime) -> Path:
    """Returns where an SQLite file was put aside, with its log.

    Raises:
        NotDone: somebody has it open.
    """
    aside = file.with_name(f"{file.name}.before-restore-{stamp(now)}")
    if aside.exists():
        raise NotDone(f"{aside} is there already and was left as it is. Try again.")
    close_log(file)
    for old, new in zip((file, *_logs(file)), (aside, *_logs(aside)), strict=True):
        if old.exists():
            old.rename(new)
    return aside


def logs_aside(file: Path, now: datetime) -> Path | None:
    """Returns where the log of a database that is missing was put aside, None when there is none.

    Notes:
        SQLite would take it for the log of the next database of this name, and write its pages over those of that one.
    """
    kept = None
    for old in logs_of(file):
        if old.exists():
            kept = old.with_name(f"{file.name}.left-{stamp(now)}{old.name.removeprefix(file.name)}")
            old.rename(kept)
    return kept


def is_sqlite(file: Path) -> bool:
    """True when a file begins as SQLite's do.

    Notes:
        To be asked before SQLite opens what may be ruined: it would take a log beside it for an old one, and remove it.
    """
    with file.open("rb") as begun:
        return begun.read(16) == b"SQLite format 3\0"


def close_log(file: Path) -> None:
    """Brings what is in an SQLite file's log into the file, unless it is damaged; then both are left as they are.

    Raises:
        NotDone: somebody has it open.
    """
    if not is_sqlite(file):
        return
    try:
        with closing(sqlite3.connect(f"{file.as_uri()}?mode=rw", uri=True, isolation_level=None)) as old:
            old.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise NotDone(f"{file} is in use. Stop whatever serves it first.") from error


def stamp(now: datetime) -> str:
    """Returns a moment, in UTC, as it may stand in the name of a file.

    Example:
        >>> from datetime import UTC, datetime
        >>> stamp(datetime(2026, 11, 25, 14, 5, 9, tzinfo=UTC))
        '20261125T140509Z'
    """
    return f"{now:%Y%m%dT%H%M%SZ}"


def _logs(file: Path) -> tuple[Path, Path]:
    return file.with_name(f"{file.name}-wal"), file.with_name(f"{file.name}-shm")


def logs_of(file: Path) -> tuple[Path, ...]:
    """Returns what SQLite may put beside a database: the index of its log, a rollback journal, and the log."""
    return tuple(file.with_name(f"{file.name}{suffix}") for suffix in ("-shm", "-journal", "-wal"))
