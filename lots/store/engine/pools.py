"""Connections that are kept: to an SQLite file, which stays the one that was opened, and to a PostgreSQL database, likewise."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from peewee import PostgresqlDatabase, SqliteDatabase
from playhouse.pool import PooledPostgresqlDatabase, PooledSqliteDatabase

from lots.store.engine.open_files import OpenFiles
from lots.store.engine.troubles import Gone, Unavailable, Uncertain
from lots.store.engine.write_lock import turn

if TYPE_CHECKING:
    import psycopg

# How long a look at the log waits for others that read, ms: it is tried again at the next request.
_MOMENT_MS = 200


class _OneFile(SqliteDatabase):
    """Opens connections to the file it opened first, and to no other one."""

    files: OpenFiles
    # Of the pool and of the library's class, which its types leave out.
    _in_use: dict[object, object]
    _connections: list[object]
    _timeout: float
    _add_conn_hooks: Callable[[sqlite3.Connection], None]

    def _connect(self) -> sqlite3.Connection:
        # Called by the pool, which has no other connection open when it has none in either place.
        alone = not self._in_use and not self._connections
        if self.files.known and not alone:
            self.files.require()
        connection = self._opened()
        try:
            # The log is made when something is read for the first time.
            connection.execute("PRAGMA schema_version").fetchone()
            if alone:
                self.files.remember()
            else:
                self.files.require()
        except BaseException:
            connection.close()
            raise
        return connection

    def _opened(self) -> sqlite3.Connection:
        # Never made again where it was: an empty file in place of one that vanished would hide the loss.
        mode = "rw" if self.files.known else "rwc"
        place = f"{Path(self.files.path).as_uri()}?mode={mode}"
        connection = sqlite3.connect(
            place, uri=True, timeout=self._timeout, isolation_level=None, **self.connect_params
        )
        try:
            self._add_conn_hooks(connection)
        except BaseException:
            connection.close()
            raise
        return connection


class File(PooledSqliteDatabase, _OneFile):  # type: ignore[misc]  # the library's types end here
    """A file of SQLite, with those who write to it.

    Opening a file and setting it up takes longer than most requests, so connections are kept, and each used by one thread after the other.
    """

    def __init__(self, path: str, patience_s: float) -> None:
        pragmas = {
            "journal_mode": "wal",
            "foreign_keys": 1,
            "synchronous": "full",
            "busy_timeout": round(1000 * patience_s),
        }
        self.files = OpenFiles(path)
        super().__init__(
            path,
            pragmas=pragmas,
            lock_type="IMMEDIATE",
            autoconnect=False,
            check_same_thread=False,
            max_connections=100,
            timeout=10,
        )
        self._timeout = patience_s
        self._settled = False

    @contextmanager
    def writing(self, patience_s: float) -> Iterator[None]:
        """All or nothing in turn, durable when it is left: leaving commits, raising rolls back.

        Args:
            patience_s: how long to wait for a turn to write, s, >= 0.

        Raises:
            NoTurn: none came in that time.
            Unavailable: SQLite rolled the transaction back by itself, or the file is `Gone`; nothing was stored.
            Uncertain: the file vanished during the commit.
        """
        with turn(self.database, patience_s):
            with self.atomic():
                yield
                # SQLite may end a transaction by itself, and a commit without one says nothing.
                if not self.opened.in_transaction:
                    raise Unavailable("the transaction was rolled back")
                self.require_in_place()
            self.require_kept()

    @property
    def opened(self) -> sqlite3.Connection:
        """The connection of the thread that asks."""
        connection: sqlite3.Connection = self.connection()
        return connection

    def rollback(self) -> None:
        """Undoes this thread's transaction; nothing where SQLite did so by itself, as it does where it finds no room."""
        if self.opened.in_transaction:
            super().rollback()

    def require_in_place(self) -> None:
        """Refuses to go on when the files at the paths are not those that are open.

        Raises:
            Gone: they are not. What was acknowledged until now is brought into the file that is open, where that can be done.
        """
        try:
            self.files.require()
        except Gone:
            self._settle()
            raise
        self._settled = False

    def require_kept(self) -> None:
        """Refuses to acknowledge a commit that has gone into files which are not those at the paths.

        Raises:
            Uncertain: they are not.
        """
        try:
            self.files.require()
            self.files.require_log()
        except (Gone, OSError) as error:
            raise Uncertain(str(error)) from error

    def _settle(self) -> None:
        """Brings the log into the file that is open and empties it.

        Then a file that was only moved away is whole, and no other file at the path gets the changes of this one. Nothing is done where another
        process may have written a log of its own, or while this connection is in a transaction.
        """
        if self._settled or self.is_closed() or not self.files.log_is_ours():
            return
        connection = self.opened
        if connection.in_transaction:
            return
        with suppress(sqlite3.Error):
            (patience_ms,) = connection.execute("PRAGMA busy_timeout").fetchone()
            connection.execute(f"PRAGMA busy_timeout = {_MOMENT_MS}")
            try:
                busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                self._settled = not busy
            finally:
                connection.execute(f"PRAGMA busy_timeout = {patience_ms}")


class _OneServer(PostgresqlDatabase):
    """Opens connections to the database it opened first, and to none that was made anew under its name."""

    _number: int | None = None

    def _connect(self) -> psycopg.Connection:
        connection: psycopg.Connection = super()._connect()  # type: ignore[misc]  # the library does not declare it
        try:
            found = connection.execute("SELECT oid FROM pg_database WHERE datname = current_database()").fetchone()
            number = found[0] if found else None
            if self._number is None:
                self._number = number
            elif self._number != number:
                raise Gone(
                    f"The PostgreSQL database {self.database} was dropped and made anew while it was in use. Nothing is read or "
                    "written. Restore a backup into it with lots restore, then restart the server."
                )
        except BaseException:
            connection.close()
            raise
        return connection


class Server(PooledPostgresqlDatabase, _OneServer):  # type: ignore[misc]  # the library's types end here
    """A database of a PostgreSQL server."""
