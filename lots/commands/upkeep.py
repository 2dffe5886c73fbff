"""`lots migrate`, `tidy`, `backup`, `restore` and `move`: results on standard output, messages and progress on standard error."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import click

from lots.domain.words import counted
from lots.services import clock
from lots.services.assessment import integrity_checks
from lots.services.setup import tidying
from lots.settings import BadAddress, BadSettings, Settings
from lots.store.engine import database
from lots.store.upkeep import backup as backups
from lots.store.upkeep import first_start, schema, transfer
from lots.store.upkeep import integrity as reading
from lots.store.upkeep.backup import Kept
from lots.store.upkeep.copy_rows import Compared
from lots.store.upkeep.database_handles import Watch, file_of, open_file, shown, unwatched
from lots.store.upkeep.migrate import migrate as take_steps
from lots.store.upkeep.sqlite_files import copy_file, part_of, stamp


def migrate(url: str) -> None:
    """Upgrades a database to the newest schema and prints the steps. An SQLite file is copied first.

    Raises:
        lots.store.upkeep.database_handles.NotDone: a step or the copy failed, or the database of an existing shop is missing.
        lots.store.upkeep.schema.WrongSchema: a newer version, or other tables.
    """
    _require_valid_url(url)
    made = first_start.open_wanted(url)
    try:
        if made or schema.found_version(database.db) is None:
            schema.ensure_schema()
            click.echo(f"The database was empty. Its tables were created with schema version {schema.VERSION}.")
            return
        taken = take_steps(lambda found: _copy_first(url, found))
    finally:
        database.disconnect()
    for step in taken:
        click.echo(f"Step {step} done.")
    done = "is now" if taken else "needs no migration. It is"
    click.echo(f"The database {done} at schema version {schema.VERSION}.")


def _copy_first(url: str, found: int) -> None:
    file = file_of(url)
    if file is None:
        click.echo("lots: No copy is made of PostgreSQL. A step that fails is rolled back.", err=True)
        return
    copy = file.with_name(f"{file.name}.version-{found}-{stamp(clock.now())}")
    with part_of(copy) as part, _progress() as watch:
        rows = copy_file(file, part, file, watch)
        part.rename(copy)
    click.echo(f"lots: The old database ({counted(rows, 'row')}) is kept in {copy}.", err=True)


def tidy(days: int) -> None:
    """Deletes rows older than so many days and prints their numbers."""
    with _progress() as watch:
        removed = tidying.remove_all(days, watch)
    said = " and ".join(counted(count, tidying.NAMES[table]) for table, count in removed.items())
    click.echo(f"Removed {said} older than {counted(days, 'day')}.")


def backup(url: str, path: Path) -> None:
    """Makes a backup and prints its size and rows.

    Raises:
        SystemExit: 1 when the check of its history has findings. The backup is kept.
        lots.store.upkeep.database_handles.NotDone: the file exists, or the backup could not be made or verified.
        lots.store.upkeep.schema.WrongSchema: a database of another version that cannot be backed up.
    """
    _require_valid_url(url)
    with _progress() as watch:
        kept = backups.backup(url, path, watch)
        open_file(path)
        flaws = _flaws(watch)
    _print_result(f"Backup {path}", kept, flaws)


def restore(url: str, path: Path, *, replace: bool) -> None:
    """Restores a backup and prints its size and rows.

    Raises:
        SystemExit: 1 when the check of its history has findings. The backup is restored nevertheless.
        lots.store.upkeep.database_handles.NotDone: the database is not empty, or the backup cannot be read or verified.
        lots.store.upkeep.schema.WrongSchema: the backup has other tables or another version.
    """
    _require_valid_url(url)
    with _progress() as watch:
        kept = backups.restore(url, path, clock.now(), replace=replace, watch=watch)
        database.open_database(url)
        database.connect()
        flaws = _flaws(watch)
    if kept.aside:
        click.echo(f"lots: The old database is kept in {kept.aside}.", err=True)
    _print_result(f"Restored {shown(url)} from {path}", kept, flaws)


def _flaws(watch: Watch) -> list[integrity_checks.Flaw]:
    """Returns differences between the history and the rows of the open database. Another schema version is not checked."""

    def through(doing: str, items: Sequence[Any]) -> Iterable[Any]:
        for done, item in enumerate(items, start=1):
            yield item
            watch(doing, done, len(items))

    try:
        if schema.found_version(database.db) != schema.VERSION:
            return []
        with reading.snapshot():
            return list(integrity_checks.proved(reading.lot_names(), through))
    finally:
        database.close()


def _print_result(what: str, kept: Kept, flaws: list[integrity_checks.Flaw]) -> None:
    size = "" if kept.size is None else f"{kept.size:,} bytes, "
    click.echo(f"{what}: {size}{counted(kept.rows, 'row')}{'' if flaws else ', verified'}.")
    for flaw in flaws:
        click.echo(flaw.line)
    if flaws:
        click.echo(
            "lots: The copy is complete, but the history and the rows disagree as listed above. Run lots check on the original.",
            err=True,
        )
        sys.exit(1)


def move(source_url: str, target_url: str) -> None:
    """Copies all rows, and prints the number of rows and the checksum of each table.

    Raises:
        BadSettings: an invalid URL, or the same database twice.
        SystemExit: 1 when the databases differ at the end.
        lots.store.upkeep.database_handles.NotDone: the target holds other rows, or the move was interrupted.
        lots.store.upkeep.schema.WrongSchema: a database of another version.
    """
    for url in (source_url, target_url):
        try:
            _require_valid_url(url)
        except BadAddress as error:
            # The URL is an argument of the command, so this is wrong usage.
            raise BadSettings(str(error)) from None
    if source_url == target_url or (file_of(source_url) and file_of(source_url) == file_of(target_url)):
        raise BadSettings("--from and --to name the same database. Name two databases.")
    with _progress() as watch:
        tables = transfer.move(source_url, target_url, watch)
    for table in tables:
        click.echo(_line(table))
    unlike = [table.table for table in tables if not table.equal]
    rows = sum(table.rows[1] for table in tables)
    if unlike:
        click.echo(
            f"lots: The databases differ in {', '.join(unlike)}. The source may have changed during the move. Stop its server and run the "
            "same command again. If that fails, begin with an empty database. The new database cannot be used yet.",
            err=True,
        )
        sys.exit(1)
    carried = sum(table.carried for table in tables)
    done = "" if carried else " All rows were copied before."
    click.echo(f"{counted(len(tables), 'table')}, {counted(rows, 'row')}: both databases are equal.{done}")
    click.echo("lots: Set LOTS_DATABASE to the new database before you start the server.", err=True)


def _line(table: Compared) -> str:
    if table.equal:
        return f"{table.table:<18} {table.rows[0]:>9} rows  {table.digests[0]}  equal"
    return f"{table.table:<18} {table.rows[0]} rows {table.digests[0]} differs from {table.rows[1]} rows {table.digests[1]}"


def _require_valid_url(url: str) -> None:
    """Raises BadAddress for an invalid database URL, before anything is opened."""
    try:
        Settings(database=url)
        database.open_database(url)
    except ValueError as error:
        raise BadAddress(str(error)) from None
    database.close()


@contextmanager
def _progress() -> Iterator[Watch]:
    """Yields a function that shows progress bars on a terminal."""
    if not sys.stderr.isatty():
        yield unwatched
        return
    bars: dict[str, Any] = {}
    with ExitStack() as shown_now:

        def watch(doing: str, done: int, of: int) -> None:
            if doing not in bars:
                shown_now.close()
                bars[doing] = shown_now.enter_context(click.progressbar(length=of, label=doing, file=sys.stderr))
            bars[doing].update(done - bars[doing].pos)

        yield watch
