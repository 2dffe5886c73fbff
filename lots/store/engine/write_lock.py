"""Turns at writing to one SQLite file: whoever asked first writes first, in whichever thread or process they are."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows has no such lock: there SQLite's own waiting has to do
    fcntl = None  # type: ignore[assignment]


class NoTurn(Exception):
    """Others wrote for longer than anybody wants to wait."""


@contextmanager
def turn(path: str, patience_s: float) -> Iterator[None]:
    """Waits for a turn to write to a database and holds it.

    SQLite's own waiting tries again after longer and longer pauses, so that one who has waited long is passed by all who come fresh, and
    among busy processes one may wait for many seconds. The kernel hands a file lock to whoever waits, and takes it back from a
    process that dies.

    Args:
        path: of the database; the lock is on a small file beside it, which stays.
        patience_s: how long to wait, s.

    Raises:
        NoTurn: no turn came in that time.

    Notes:
        The turn says only who is next. That nobody else writes is still SQLite's to say, so whoever takes no turn, such as another
        program, does no harm but to fairness.
    """
    if fcntl is None:
        yield
        return
    try:
        mark = os.open(f"{path}-turn", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError:  # nothing may be written there: SQLite will say so better
        yield
        return
    try:
        _wait(mark, patience_s)
        yield
    finally:
        os.close(mark)


@contextmanager
def first_turn(path: str, patience_s: float) -> Iterator[None]:
    """A turn at a database that is about to be made.

    Its lock file appears locked: another process that finds the file waits until the database is there. A lock file without a database, which
    nobody holds, therefore says that the database was removed.

    Args:
        path: of the database.
        patience_s: how long to wait where there is a lock file, s.

    Raises:
        NoTurn: no turn came in that time.
    """
    mark = _locked_mark(path)
    if mark is None:
        with turn(path, patience_s):
            yield
        return
    try:
        yield
    finally:
        os.close(mark)


def mark_of(path: Path) -> Path:
    """Returns the lock file of a database."""
    return path.with_name(f"{path.name}-turn")


def leave_mark(path: str) -> None:
    """Makes the lock file of a database where it is missing, and writes the number of the database's file into it.

    So it shows later that there was a database, and whether a log beside it belongs to another file.
    """
    with suppress(OSError):  # nothing may be written there, so nothing can be lost either
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
    """Returns the number that the file of a database had when it was last opened, None where it is not known."""
    try:
        return int(mark_of(path).read_bytes()) or None
    except (OSError, ValueError):
        return None


def is_open_elsewhere(path: str) -> bool:
    """True when another process has an SQLite database open. Only to be asked while this process has not: it would lose its own locks.

    Notes:
        Whoever has opened a database with a write-ahead log keeps a lock on 510 bytes behind the first GiB of the file (sqlite.org, "File
        Locking And Concurrency", and `SHARED_FIRST` in os.h).
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


def _locked_mark(path: str) -> int | None:
    """Makes the lock file, already locked; None when there is one or it cannot be made so."""
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
    # A thread can be waited for with patience, a lock cannot. Both handles are one lock, which goes when both are closed.
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
