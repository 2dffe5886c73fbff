"""The lock that lets one process at a time send webhook messages."""

from __future__ import annotations

import os

from peewee import DatabaseError, InterfaceError, PostgresqlDatabase

from lots.store.engine.database import db, locks_rows

try:
    import fcntl
except ImportError:  # Windows has no flock, and there a shop has one server process
    fcntl = None  # type: ignore[assignment]

_KEY = 0x4C47 << 48


class SenderLock:
    """The lock of the sending process. The kernel or the database server releases it when the process dies.

    On SQLite it is a lock on an empty file beside the database, which is not deleted. On PostgreSQL it is an advisory lock of a separate
    connection, because pooled connections serve requests. Without the lock two processes would only send some messages twice.
    """

    def __init__(self) -> None:
        self._file: int | None = None
        self._line: PostgresqlDatabase | None = None

    def take(self) -> bool:
        """Tries to take the lock without waiting. Returns whether this process has it."""
        return self._take_line() if locks_rows() else self._take_file()

    def give_up(self) -> None:
        """Releases the lock."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
        if self._line is not None:
            line, self._line = self._line, None
            line.close()

    def _take_file(self) -> bool:
        if self._file is not None or fcntl is None:
            return True
        mark = os.open(f"{db.obj.database}-webhooks", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(mark)
            return False
        self._file = mark
        return True

    def _take_line(self) -> bool:
        try:
            if self._line is not None:
                self._line.execute_sql("SELECT 1")
                return True
            line = PostgresqlDatabase(
                db.obj.database, prefer_psycopg3=True, autoconnect=False, thread_safe=False, **db.obj.connect_params
            )
            line.connect()
            taken = line.execute_sql("SELECT pg_try_advisory_lock(%s)", (_KEY,))
            if taken.fetchone()[0]:
                self._line = line
                return True
            line.close()
        except (DatabaseError, InterfaceError):
            self._line = None
        return False
