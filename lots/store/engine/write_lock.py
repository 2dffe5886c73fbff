"""A first-come, first-served write lock for one SQLite file, across threads and processes."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has no flock and relies on SQLite's busy timeout
    fcntl = None  # type: ignore[assignment]


class NoTurn(Exception):
    """The write lock was not free in time."""


@contextmanager
def turn(path: str, patience_s: float) -> Iterator[None]:
    """Acquires the write lock of a database for a block.

    SQLite's busy timeout retries after growing pauses, so newer writers overtake older ones, and a writer may wait for many seconds.
    The kernel grants a file lock in order, and releases it when a process dies.

    Args:
        path: of the database. The lock file lies beside it and is not deleted.
        patience_s: longest wait, s.

    Raises:
        NoTurn: the lock was not free in that time.

    Notes:
        The lock only decides the order. SQLite's own lock still prevents concurrent writes, so a program without this lock harms only
        fairness.
    """
    if fcntl is None:
        yield
        return
    try:
        mark = os.open(f"{path}-turn", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:  # the folder is not writable, and SQLite's message is better
        yield
        return
    try:
        _wait(mark, patience_s)
        yield
    finally:
        os.close(mark)


@contextmanager
def first_turn(path: str, patience_s: float) -> Iterator[None]:
    """Acquires the write lock of a database that is about to be created.

    The lock file is created locked, so another process waits until the database exists. An unlocked lock file without a database
    therefore means that the database was removed.

    Args:
        path: of the database.
        patience_s: longest wait for an existing lock file, s.

    Raises:
        NoTurn: the lock was not free in that time.
    """
    mark = _new_locked_file(path)
    if mark is None:
        with turn(path, patience_s):
            yield
        return
    try:
        yield
    finally:
        os.close(mark)


def mark_of(path: Path) -> Path:
    """Returns the path of a database's lock file."""
    return path.with_name(f"{path.name}-turn")


def leave_mark(path: str) -> None:
    """Creates the lock file of a database if missing, and writes the inode of the database file into it.

    It shows later that a database existed, and whether a log beside it belongs to another file.
    """
    with suppress(OSError):  # without write permission there is no database to lose
        mark = os.open(f"{path}-turn", os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
        try:
            number = str(os.stat(path).st_ino).encode()  # noqa: PTH116  # as the rest of this file
            if os.read(mark, 100) != number:
                os.ftruncate(mark, 0)
                os.lseek(mark, 0, os.SEEK_SET)
                os.write(mark, number)
        finally:
            os.close(mark)


def marked_number(path: Path) -> int | None:
    """Returns the inode of the database file when it was last opened, or None if unknown."""
    try:
        return int(mark_of(path).read_bytes()) or None
    except (OSError, ValueError):
        return None


def is_open_elsewhere(path: str) -> bool:
    """Returns True when another process has an SQLite database open. This process must not have it open, or it loses its own locks.

    Notes:
        In WAL mode, a process locks 510 bytes after the first GiB of an open database (sqlite.org, "File Locking And Concurrency", and
        `SHARED_FIRST` in os.h).
    """
    if fcntl is None:
        return False
    try:
        file = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 510, 0x40000002)
    except OSError:
        return True
    finally:
        os.close(file)
    return False


def _new_locked_file(path: str) -> int | None:
    """Creates the lock file in the locked state. Returns its descriptor, or None if it exists or cannot be created."""
    if fcntl is None:
        return None
    own = f"{path}-turn.{os.getpid()}.{threading.get_ident()}"
    try:
        mark = os.open(own, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:
        return None
    try:
        fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.link(own, f"{path}-turn")
    except OSError:
        os.close(mark)
        return None
    finally:
        os.unlink(own)  # noqa: PTH108  # as the rest of this file
    return mark


def _wait(mark: int, patience_s: float) -> None:
    try:
        fcntl.flock(mark, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        pass
    else:
        return
    if not patience_s:
        raise NoTurn
    # flock has no timeout, so a thread waits for the lock. Both descriptors share the lock until both are closed.
    own, there = os.dup(mark), threading.Event()

    def queue() -> None:
        try:
            fcntl.flock(own, fcntl.LOCK_EX)
            there.set()
        finally:
            os.close(own)

    threading.Thread(target=queue, daemon=True).start()
    if not there.wait(patience_s):
        raise NoTurn
