"""Backup into a single file, which gets its name only after verification, and restore."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from peewee import Database

from lots.store.engine import database
from lots.store.engine.write_lock import leave_mark
from lots.store.upkeep import copy_rows, schema
from lots.store.upkeep.database_handles import (
    NotDone,
    Watch,
    file_of,
    in_words,
    one_moment,
    open_file,
    reader,
    require_current,
    shown,
    size_at,
    unwatched,
)
from lots.store.upkeep.sqlite_files import (
    close_log,
    copy_file,
    is_sqlite,
    logs_aside,
    make_way,
    part_of,
    row_counts,
    verify_file,
)


@dataclass(frozen=True, slots=True)
class Kept:
    """The verified content of a backup or a restored database.

    Attributes:
        rows: number of rows in all tables.
        size: of the file, bytes; None on PostgreSQL.
        aside: the path of the renamed old database, or of the log of a missing one, if any.
    """

    rows: int
    size: int | None
    aside: Path | None = None


def backup(url: str, path: Path, watch: Watch = unwatched) -> Kept:
    """Copies a snapshot of a database into a new file and returns its size and rows. The database may be in use.

    Args:
        url: an SQLite database of any schema version, or a PostgreSQL database of the newest.
        path: the new file.
        watch: shows the progress in pages or rows.

    Raises:
        NotDone: the database does not exist, the new file exists, or the copy failed or is not equal to the original.
        schema.WrongSchema: the database is empty, has other tables, or is PostgreSQL of another schema version.
    """
    _require_new_path(path)
    file = file_of(url)
    if file and file.parent.exists() and not file.exists():
        raise NotDone(f"There is no database {file}. Check LOTS_DATABASE and the current folder.")
    with part_of(path) as part, in_words(f"The backup {path} cannot be made"):
        rows = copy_file(file, part, file, watch) if file else _out_of_postgresql(url, part, watch)
        _require_new_path(path)
        part.rename(path)
    return Kept(rows, path.stat().st_size)


def restore(url: str, path: Path, now: datetime, *, replace: bool = False, watch: Watch = unwatched) -> Kept:
    """Fills a database with the rows of a backup and returns its size and rows.

    Args:
        url: the database to fill. It must not be in use.
        path: the backup.
        now: the current time, for the name of a renamed old database.
        replace: True renames an SQLite database that is not empty. A PostgreSQL database must be empty in any case.
        watch: shows the progress in pages or rows.

    Raises:
        NotDone: the database is not empty, is in use or cannot be created, or the backup is unreadable or damaged.
        schema.WrongSchema: the backup or the database has other tables, or the backup has another schema version.
    """
    file = file_of(url)
    if file:
        size_at(file)
    with reader(path) as source, in_words(f"{path} cannot be restored"):
        require_current(source, path)
        if file is None:
            return Kept(_into_postgresql(source, url, watch), None)
        if not replace and _has_rows(file):
            raise NotDone(f"The database {file} is not empty. Use --replace to rename and keep it.")
        with part_of(file) as part:
            rows = copy_file(path, part, file if file.exists() else None, watch)
            aside = make_way(file, now) if file.exists() and _has_rows(file) else None
            if file.exists():
                close_log(file)
            aside = logs_aside(file, now) or aside
            part.replace(file)
            leave_mark(str(file))
    return Kept(rows, file.stat().st_size, aside)


def _require_new_path(path: Path) -> None:
    if not path.absolute().parent.is_dir():
        raise NotDone(f"There is no folder {path.absolute().parent}. Create it, or name a file in another folder.")
    if path.exists():
        raise NotDone(f"{path} exists already. Name another file.")


def _has_rows(file: Path) -> bool:
    """Returns False for a missing or empty file and for a database without rows. An unreadable file counts as not empty."""
    if not file.exists() or not file.stat().st_size:
        return False
    if not is_sqlite(file):
        return True
    try:
        with reader(file) as engine, in_words(f"{file} cannot be read"):
            schema.found_version(engine)
            return any(row_counts(engine).values())
    except (NotDone, schema.WrongSchema):
        return True


def _out_of_postgresql(url: str, part: Path, watch: Watch) -> int:
    with reader(url) as source:
        require_current(source, url)
        open_file(part)
        try:
            schema.ensure_schema()
            _fill(source, database.db.obj, watch)
            rows = row_counts(database.db.obj)
        finally:
            database.close()
    verify_file(part, schema.VERSION, rows)
    return sum(rows.values())


def _into_postgresql(source: Database, url: str, watch: Watch) -> int:
    database.open_database(url)
    database.connect()
    try:
        schema.ensure_schema()
        target = database.db.obj
        if any(copy_rows.held(target).values()):
            raise NotDone(f"The database {shown(url)} is not empty. Name an empty database in LOTS_DATABASE.")
        _fill(source, target, watch)
        return sum(copy_rows.held(target).values())
    finally:
        database.disconnect()


def _fill(source: Database, target: Database, watch: Watch) -> None:
    """Copies all rows in one transaction, which commits only if both databases are equal."""
    with one_moment(source), target.atomic():
        copy_rows.carry(source, target, watch)
        copy_rows.set_numbering(target)
        unlike = [table.table for table in copy_rows.compare(source, target, watch) if not table.equal]
        if unlike:
            raise NotDone(
                f"The copy of {', '.join(unlike)} differs from the original, so nothing was stored. Try again."
            )
