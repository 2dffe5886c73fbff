"""What `lots migrate`, `tidy`, `backup`, `restore` and `move` do: results to standard output, messages and progress to standard error."""

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
    """Brings a database to the newest schema, after an SQLite file was copied, and says what was done.

    Raises:
        lots.store.upkeep.database_handles.NotDone: a step failed, or the copy before it; or the database is missing where there was one.
        lots.store.upkeep.schema.WrongSchema: a newer version, or other tables.
    """
    _checked(url)
    made = first_start.open_wanted(url)
    try:
        if made or schema.found_version(database.db) is None:
            schema.ensure_schema()
            click.echo(f"The database was empty. It has its tables now, of schema version {schema.VERSION}.")
            return
        taken = take_steps(lambda found: _copy_first(url, found))
    finally:
        database.disconnect()
    for step in taken:
        click.echo(f"Step {step} is taken.")
    done = "is now" if taken else "has nothing to do: it is"
    click.echo(f"The database {done} at schema version {schema.VERSION}.")


def _copy_first(url: str, found: int) -> None:
    file = file_of(url)
    if file is None:
        click.echo("lots: a step that fails leaves nothing behind. For a copy beforehand use pg_dump.", err=True)
        return
    copy = file.with_name(f"{file.name}.version-{found}-{stamp(clock.now())}")
    with part_of(copy) as part, _progress() as watch:
        rows = copy_file(file, part, file, watch)
        part.rename(copy)
    click.echo(f"lots: the database as it was, {counted(rows, 'row')}, is kept in {copy}.", err=True)


def tidy(days: int) -> None:
    """Removes what is older than so many days, and says how many rows were."""
    with _progress() as watch:
        removed = tidying.remove_all(days, watch)
    said = " and ".join(counted(count, tidying.NAMES[table]) for table, count in removed.items())
    click.echo(f"Removed {said} older than {counted(days, 'day')}.")


def backup(url: str, path: Path) -> None:
    """Makes a backup and says what it holds.

    Raises:
        SystemExit: 1 when the history in it is not whole; the backup is kept.
        lots.store.upkeep.database_handles.NotDone: the file is there, or the backup could not be made or verified.
        lots.store.upkeep.schema.WrongSchema: a database of another version, where that matters.
    """
    _checked(url)
    with _progress() as watch:
        kept = backups.backup(url, path, watch)
        open_file(path)
        flaws = _flaws(watch)
    _tell(f"Backup {path}", kept, flaws)


def restore(url: str, path: Path, *, replace: bool) -> None:
    """Restores a backup and says what came of it.

    Raises:
        SystemExit: 1 when the history in it is not whole; it is restored all the same.
        lots.store.upkeep.database_handles.NotDone: the database holds something, or the backup cannot be read or verified.
        lots.store.upkeep.schema.WrongSchema: the backup is of something else or of another version.
    """
    _checked(url)
    with _progress() as watch:
        kept = backups.restore(url, path, clock.now(), replace=replace, watch=watch)
        database.open_database(url)
        database.connect()
        flaws = _flaws(watch)
    if kept.aside:
        click.echo(f"lots: what was there before is kept in {kept.aside}.", err=True)
    _tell(f"Restored {shown(url)} from {path}", kept, flaws)


def _flaws(watch: Watch) -> list[integrity_checks.Flaw]:
    """What the history says against the rows of the database that was opened; of another schema version nothing can be said."""

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


def _tell(what: str, kept: Kept, flaws: list[integrity_checks.Flaw]) -> None:
    size = "" if kept.size is None else f"{kept.size:,} bytes, "
    click.echo(f"{what}: {size}{counted(kept.rows, 'row')}{'' if flaws else ', verified'}.")
    for flaw in flaws:
        click.echo(flaw.line)
    if flaws:
        click.echo(
            "lots: it holds what it was copied from, but there the history and the rows disagree, as listed. See lots check.",
            err=True,
        )
        sys.exit(1)


def move(source_url: str, target_url: str) -> None:
    """Moves everything, and prints every table with how many rows and which checksum both sides have.

    Raises:
        BadSettings: a URL that is none, or the same database twice.
        SystemExit: 1 when the sides differ at the end.
        lots.store.upkeep.database_handles.NotDone: the target holds other rows, or the move broke off.
        lots.store.upkeep.schema.WrongSchema: either side is of another version.
    """
    for url in (source_url, target_url):
        try:
            _checked(url)
        except BadAddress as error:
            # It stands on the command line, so that is wrong usage.
            raise BadSettings(str(error)) from None
    if source_url == target_url or (file_of(source_url) and file_of(source_url) == file_of(target_url)):
        raise BadSettings("--from and --to name the same database")
    with _progress() as watch:
        tables = transfer.move(source_url, target_url, watch)
    for table in tables:
        click.echo(_line(table))
    unlike = [table.table for table in tables if not table.equal]
    rows = sum(table.rows[1] for table in tables)
    if unlike:
        click.echo(
            f"lots: the two sides differ in {', '.join(unlike)}. Was the source changed meanwhile? Stop whatever serves it and run "
            "the same again; if that is refused, begin with an empty database. Until then no command works with the new one.",
            err=True,
        )
        sys.exit(1)
    carried = sum(table.carried for table in tables)
    done = "" if carried else " Nothing was left to move."
    click.echo(f"{counted(len(tables), 'table')}, {counted(rows, 'row')}: both sides are equal.{done}")
    click.echo("lots: set LOTS_DATABASE to the new database before anybody works on.", err=True)


def _line(table: Compared) -> str:
    if table.equal:
        return f"{table.table:<18} {table.rows[0]:>9} rows  {table.digests[0]}  equal"
    return f"{table.table:<18} {table.rows[0]} rows {table.digests[0]} is not {table.rows[1]} rows {table.digests[1]}"


def _checked(url: str) -> None:
    """Refuses what is no address of a database, before anything is opened."""
    try:
        Settings(database=url)
        database.open_database(url)
    except ValueError as error:
        raise BadAddress(str(error)) from None
    database.close()


@contextmanager
def _progress() -> Iterator[Watch]:
    """Shows how far it has come where somebody is watching."""
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
