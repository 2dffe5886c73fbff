"""Detection of files of an open SQLite database that were removed, replaced or truncated."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from lots.store.engine.troubles import Gone

# Suffixes of the write-ahead log and of its index in shared memory.
LOGS = ("-wal", "-shm")
# Magic numbers of a write-ahead log in both byte orders (sqlite.org, "Database File Format", section 4.1).
_LOG_MAGIC = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")

# Device and inode of a file.
FileId = tuple[int, int]


def file_id(found: os.stat_result) -> FileId:
    """Returns the identity of a file, unique among existing files.

    Notes:
        The identity is the device and the inode, on Windows the volume and the file index. On a file system without inodes, the time of
        creation replaces the inode, ns. If that is unknown too, it is 0, and only a missing file is detected.
    """
    if found.st_ino:
        return found.st_dev, found.st_ino
    made = getattr(found, "st_birthtime", None) or (found.st_ctime if os.name == "nt" else 0)
    return found.st_dev, round(made * 1e9)


class OpenFiles:
    """The identities of the files of an SQLite database at the time of opening.

    A process keeps using open files after they are removed or replaced, and loses its writes when it ends. So the paths are checked
    before a request reads, before a commit and after a commit.

    Args:
        path: of the database, as in the URL.
    """

    def __init__(self, path: str) -> None:
        self.path = os.path.abspath(path)  # noqa: PTH100  # a pathlib path takes ten times as long to look at
        self._database: FileId | None = None
        self._size = 0
        self._logs: dict[str, FileId] = {}

    @property
    def known(self) -> bool:
        """True after the database was opened."""
        return self._database is not None

    def remember(self) -> None:
        """Stores the identities of the current files. Call it when the only open connection has just been made.

        Raises:
            Gone: the database file is missing, or is not the one of the first call.
        """
        found = self._found()
        if self._database is None:
            self._database = file_id(found)
        elif file_id(found) != self._database:
            raise Gone(_REPLACED.format(self.path))
        self._size = found.st_size
        # SQLite resolves a symbolic link to the database and places the log beside its target.
        real = os.path.realpath(self.path)
        logs = {f"{real}{suffix}": _id_at(f"{real}{suffix}") for suffix in LOGS}
        self._logs = {name: known for name, known in logs.items() if known is not None}

    def require(self) -> None:
        """Checks that the files at the paths are those that were opened. Three calls of `os.stat`.

        Raises:
            Gone: the database or a log file was removed, replaced or truncated. The message names the file and the remedy.
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
        """Checks that the write-ahead log still has its header.

        Raises:
            Gone: the log was truncated during a commit, so its content cannot be recovered.
        """
        for name in self._logs:
            if name.endswith("-wal"):
                with Path(name).open("rb") as log:
                    begins = log.read(4)
                if begins and begins not in _LOG_MAGIC:
                    raise Gone(_LOG.format(name, "emptied", self.path))

    def log_is_ours(self) -> bool:
        """Returns True when a checkpoint into the open file is safe, because no other process can have started a new log."""
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
        """Raises Gone for a file that became shorter, unless SQLite itself shortened it, as VACUUM does."""
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
    """Returns True when the file has all its pages. A new connection is used, because it has no cached pages."""
    try:
        with closing(sqlite3.connect(f"{Path(path).as_uri()}?mode=ro", uri=True)) as fresh:
            (pages,), (page_size,) = (
                fresh.execute(f"PRAGMA {name}").fetchone() for name in ("page_count", "page_size")
            )
            return bool(size >= pages * page_size or fresh.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
    except sqlite3.Error:
        return False


_VANISHED = (
    "The database file {} disappeared while it was in use ({}). Nothing is read or written until the same file is back at its path. "
    "If it was deleted, stop the server and restore the last backup with lots restore."
)
_REPLACED = (
    "The database file {} was replaced by another file while it was in use. Nothing is read or written. "
    "Put the original file back, or restart the server to use the new one."
)
_SHORT = (
    "The database file {} was cut short to {:,} of {:,} bytes while it was in use. Nothing is read or written. "
    "Stop the server and restore the last backup with lots restore."
)
_LOG = (
    "The log file {}, which holds the latest changes, was {} while it was in use. Nothing is read or written. "
    "Restart the server, then run lots check on {}."
)
