"""Backups: one file that holds everything, verified before it gets its name; and the way back."""

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
    """What a backup or a restored database holds, as verified.

    Attributes:
        rows: how many, in all tables together.
        size: of the file, bytes; None on PostgreSQL.
        aside: where what was there before is kept, if anything was: a database, or the log of one that is missing.
    """

    rows: int
    size: int | None
    aside: Path | None = None


def backup(url: str, path: Path, watch: Watch = unwatched) -> Kept:
    """Returns what was kept: a database as it stood at one moment, in one new file, while others go on working with it.

    Args:
        url: the database; an SQLite file of any schema version, or PostgreSQL of the newest.
        path: the file to make.
        watch: told how much is copied, in pages or rows.

    Raises:
        NotDone: the file is there already, or the copy cannot be made or is not right.
        schema.WrongSchema: the database is empty, something else, or PostgreSQL of another schema version.
    """
    _refuse_existing(path)
    file = file_of(url)
    with part_of(path) as part, in_words(f"The backup {path} cannot be made"):
        rows = copy_file(file, part, file, watch) if file else _out_of_postgresql(url, part, watch)
        _refuse_existing(path)
        part.rename(path)
    return Kept(rows, path.stat().st_size)


def restore(url: str, path: Path, now: datetime, *, replace: bool = False, watch: Watch = unwatched) -> Kept:
    """Returns what was restored: the database now holds what the backup holds, and nothing else.

    Args:
        url: the database to fill, which nobody may be working with.
        path: the backup.
        now: the present moment, for the name of what is set aside.
        replace: True lets an SQLite file that holds something be set aside; PostgreSQL wants an empty database in any case.
        watch: told how much is copied, in pages or rows.

    Raises:
        NotDone: the database holds something, is in use or is no place for a file, or the backup cannot be read or is not right.
        schema.WrongSchema: the backup is no such database, or of another schema version; or the database holds other tables.
    """
    file = file_of(url)
    if file:
        size_at(file)
    with reader(path) as source, in_words(f"{path} cannot be restored"):
        require_current(source, path)
        if file is None:
            return Kept(_into_postgresql(source, url, watch), None)
        if not replace and _holds_something(file):
            raise NotDone(f"{file} holds something already. With --replace it is kept beside, under another name.")
        with part_of(file) as part:
            rows = copy_file(path, part, file if file.exists() else None, watch)
            aside = make_way(file, now) if file.exists() and _holds_something(file) else None
            if file.exists():
                close_log(file)
            aside = logs_aside(file, now) or aside
            part.replace(file)
            leave_mark(str(file))
    return Kept(rows, file.stat().st_size, aside)


def _refuse_existing(path: Path) -> None:
    if not path.absolute().parent.is_dir():
        raise NotDone(f"There is no folder {path.absolute().parent}.")
    if path.exists():
        raise NotDone(f"{path} is there already and was left as it is. Name another file.")


def _holds_something(file: Path) -> bool:
    """True unless the file is missing, or an SQLite database in which nothing was recorded; what cannot be read may hold anything."""
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
            raise NotDone(f"{shown(url)} holds something already. Name an empty database in LOTS_DATABASE.")
        _fill(source, target, watch)
        return sum(copy_rows.held(target).values())
    finally:
        database.disconnect()


def _fill(source: Database, target: Database, watch: Watch) -> None:
    """All of it or nothing: one transaction, which ends only when both sides were found equal."""
    with one_moment(source), target.atomic():
        copy_rows.carry(source, target, watch)
        copy_rows.set_numbering(target)
        unlike = [table.table for table in copy_rows.compare(source, target, watch) if not table.equal]
        if unlike:
            raise NotDone(f"{', '.join(unlike)} came out other than it went in, so nothing was kept.")
