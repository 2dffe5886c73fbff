"""One process of a shop sends messages at a time: the lock that says which."""

from __future__ import annotations

import os

from peewee import DatabaseError, InterfaceError, PostgresqlDatabase

from lots.store.engine.database import db, locks_rows

try:
    import fcntl
except ImportError:  # Windows has no such lock; there a shop has one process
    fcntl = None  # type: ignore[assignment]

_KEY = 0x4C47 << 48


class SenderLock:
    """A lock that is held for as long as this process sends, and given up by the kernel or the server when the process dies.

    On SQLite a lock on an empty file beside the database, which stays. On PostgreSQL an advisory lock of a connection of its own: the
    pool's connections answer requests. Sending is safe without it: two processes would only send some messages twice.
    """

    def __init__(self) -> None:
        self._file: int | None = None
        self._line: PostgresqlDatabase | None = None

    def take(self) -> bool:
        """Returns whether this process has the lock, after trying to take it. Never waits."""
        return self._take_line() if locks_rows() else self._take_file()

    def give_up(self) -> None:
        """Lets another process have it."""
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
