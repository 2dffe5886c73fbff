"""The files of an SQLite database that is open, compared with what lies at their paths."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from lots.store.engine.troubles import Gone

# Beside the database: its write-ahead log, and the index of that log, which all processes share.
LOGS = ("-wal", "-shm")
# How a write-ahead log begins, in either order of bytes (sqlite.org, "Database File Format", section 4.1).
_LOG_BEGINS = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")

# Device and number of a file.
FileId = tuple[int, int]


def file_id(found: os.stat_result) -> FileId:
    """Returns what tells a file from every other one as long as both exist.

    Notes:
        The device and the inode. Windows gives the volume and the number of the file in their place. Where a file system numbers no files
        and gives 0, the moment at which the file was made stands for the number, ns (0 where that is unknown too, so that only a missing
        file is noticed).
    """
    if found.st_ino:
        return found.st_dev, found.st_ino
    made = getattr(found, "st_birthtime", None) or (found.st_ctime if os.name == "nt" else 0)
    return found.st_dev, round(made * 1e9)


class OpenFiles:
    """The files of one SQLite database as they were when it was opened.

    An open database goes on with the files it has, whatever becomes of their names. What is written then is lost when the process ends. So the
    names are looked at before a request reads, before a commit and after it.

    Args:
        path: of the database, as the address names it.
    """

    def __init__(self, path: str) -> None:
        self.path = os.path.abspath(path)  # noqa: PTH100  # a pathlib path takes ten times as long to look at
        self._database: FileId | None = None
        self._size = 0
        self._logs: dict[str, FileId] = {}

    @property
    def known(self) -> bool:
        """True once the database was opened."""
        return self._database is not None

    def remember(self) -> None:
        """Takes the files as they are now for the right ones. To be called when the only open connection has just been made.

        Raises:
            Gone: the file of the database is another one than at the first time, or is missing.
        """
        found = self._found()
        if self._database is None:
            self._database = file_id(found)
        elif file_id(found) != self._database:
            raise Gone(_REPLACED.format(self.path))
        self._size = found.st_size
        # SQLite puts them beside the file that a symbolic link leads to.
        real = os.path.realpath(self.path)
        logs = {f"{real}{suffix}": _id_at(f"{real}{suffix}") for suffix in LOGS}
        self._logs = {name: known for name, known in logs.items() if known is not None}

    def require(self) -> None:
        """Refuses to go on when the files at the paths are not those that were opened. Three calls of `os.stat`.

        Raises:
            Gone: the database or a file of its log was removed, replaced or cut short. The message says which and what to do.
        """
        found = self._found()
        if file_id(found) != self._database:
            raise Gone(_REPLACED.format(self.path))
        if found.st_size > self._size:
            self._size = found.st_size
        elif found.st_size < self._size:
            self._require_whole()
        for name, known in self._logs.items():
            if _id_at(name) != known:
                raise Gone(_LOG.format(name, "removed" if _id_at(name) is None else "replaced", self.path))

    def require_log(self) -> None:
        """Refuses a write-ahead log that was emptied under a commit: its beginning is missing, so nothing in it would be found again.

        Raises:
            Gone: it was.
        """
        for name in self._logs:
            if name.endswith("-wal"):
                with Path(name).open("rb") as log:
                    begins = log.read(4)
                if begins and begins not in _LOG_BEGINS:
                    raise Gone(_LOG.format(name, "emptied", self.path))

    def log_is_ours(self) -> bool:
        """True when the log may be brought into the file that is open: no other process can have begun another log in its place."""
        try:
            size = os.stat(self.path).st_size  # noqa: PTH116  # see above
        except OSError:
            size = self._size
        return size >= self._size and all(_id_at(name) in (known, None) for name, known in self._logs.items())

    def _found(self) -> os.stat_result:
        try:
            return os.stat(self.path)  # noqa: PTH116  # see above
        except OSError as error:
            raise Gone(_VANISHED.format(self.path, error.strerror)) from None

    def _require_whole(self) -> None:
        """Refuses a file that became shorter, unless SQLite itself made it so, as VACUUM does."""
        size = self._found().st_size
        if size >= self._size:
            return
        if size == 0 or not _is_whole(self.path, size):
            raise Gone(_SHORT.format(self.path, size, self._size))
        self._size = size


def _id_at(path: str) -> FileId | None:
    try:
        return file_id(os.stat(path))  # noqa: PTH116  # see above
    except OSError:
        return None


def _is_whole(path: str, size: int) -> bool:
    """True when every page of a file is there. Asked through a connection of its own, which has no page in memory yet."""
    try:
        with closing(sqlite3.connect(f"{Path(path).as_uri()}?mode=ro", uri=True)) as fresh:
            (pages,), (page_size,) = (
                fresh.execute(f"PRAGMA {name}").fetchone() for name in ("page_count", "page_size")
            )
            return bool(size >= pages * page_size or fresh.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
    except sqlite3.Error:
        return False


_VANISHED = (
    "The database file {} vanished while it was in use ({}). Nothing is read or written until the same file is back at its path. "
    "If it was deleted, stop the server and restore the last backup with lots restore."
)
_REPLACED = (
    "The database file {} was replaced by another file while it was in use. Nothing is read or written. "
    "Put the first file back, or restart the server to work with the new one."
)
_SHORT = (
    "The database file {} was cut short to {:,} of {:,} bytes while it was in use. Nothing is read or written. "
    "Stop the server and restore the last backup with lots restore."
)
_LOG = (
    "The file {}, which holds the last changes, was {} while it was in use. Nothing is read or written. "
    "Restart the server; then run lots check on {}."
)
