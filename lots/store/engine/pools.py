"""Connection pools for SQLite and PostgreSQL that connect only to the database that was opened first."""

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

# Busy timeout of a checkpoint, ms. It is tried again at the next request.
_CHECKPOINT_BUSY_MS = 200


class _FixedFile(SqliteDatabase):
    """An SQLite database that connects only to the file that it opened first."""

    files: OpenFiles
    # Attributes of the library's pool that its types omit.
    _in_use: dict[object, object]
    _connections: list[object]
    _timeout: float
    _add_conn_hooks: Callable[[sqlite3.Connection], None]

    def _connect(self) -> sqlite3.Connection:
        # The pool has no other open connection when both are empty.
        alone = not self._in_use and not self._connections
        if self.files.known and not alone:
            self.files.require()
        connection = self._opened()
        try:
            # The first read creates the log.
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
        # A known database is never recreated, because an empty file would hide the loss.
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


class File(PooledSqliteDatabase, _FixedFile):  # type: ignore[misc]  # the library is untyped
    """A pool of connections to an SQLite file, with its write lock.

    Opening a connection takes longer than most requests, so connections are pooled. One thread at a time uses each.
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
        self._checkpointed = False

    @contextmanager
    def writing(self, patience_s: float) -> Iterator[None]:
        """Runs a block in a durable write transaction. Leaving the block commits, an exception rolls back.

        Args:
            patience_s: longest wait for the write lock, s, >= 0.

        Raises:
            NoTurn: the lock was not free in that time.
            Unavailable: SQLite rolled the transaction back by itself, or the file is `Gone`. Nothing was stored.
            Uncertain: the file disappeared during the commit.
        """
        with turn(self.database, patience_s):
            with self.atomic():
                yield
                # SQLite may end a transaction by itself. A commit without a transaction raises nothing.
                if not self.opened.in_transaction:
                    raise Unavailable("the transaction was rolled back")
                self.require_in_place()
            self.require_kept()

    @property
    def opened(self) -> sqlite3.Connection:
        """The connection of this thread."""
        connection: sqlite3.Connection = self.connection()
        return connection

    def rollback(self) -> None:
        """Rolls this thread's transaction back, unless SQLite already did, as on a full disk."""
        if self.opened.in_transaction:
            super().rollback()

    def require_in_place(self) -> None:
        """Checks that the files at the paths are those that are open.

        Raises:
            Gone: they are not. If possible, a checkpoint first writes all commits into the open file.
        """
        try:
            self.files.require()
        except Gone:
            self._checkpoint()
            raise
        self._checkpointed = False

    def require_kept(self) -> None:
        """Checks after a commit that the files at the paths are those that are open.

        Raises:
            Uncertain: they are not, so the commit may be lost.
        """
        try:
            self.files.require()
            self.files.require_log()
        except (Gone, OSError) as error:
            raise Uncertain(str(error)) from error

    def _checkpoint(self) -> None:
        """Writes the write-ahead log into the open file (checkpoint) and truncates the log.

        A file that was only moved is then complete, and a new file at the path does not get its changes. Nothing is done if another
        process may have started a new log, or during a transaction.
        """
        if self._checkpointed or self.is_closed() or not self.files.log_is_ours():
            return
        connection = self.opened
        if connection.in_transaction:
            return
        with suppress(sqlite3.Error):
            (patience_ms,) = connection.execute("PRAGMA busy_timeout").fetchone()
            connection.execute(f"PRAGMA busy_timeout = {_CHECKPOINT_BUSY_MS}")
            try:
                busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
                self._checkpointed = not busy
            finally:
                connection.execute(f"PRAGMA busy_timeout = {patience_ms}")


class _FixedServer(PostgresqlDatabase):
    """A PostgreSQL database that does not connect to a new database of the same name."""

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
                    f"The PostgreSQL database {self.database} was dropped and recreated while it was in use. Nothing is read or "
                    "written. Restore a backup into it with lots restore, then restart the server."
                )
        except BaseException:
            connection.close()
            raise
        return connection


class Server(PooledPostgresqlDatabase, _FixedServer):  # type: ignore[misc]  # the library is untyped
    """A pool of connections to a PostgreSQL database."""
