"""The drop folder of `lots watch`: detection of complete files, locks, and moves that never overwrite a file."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows, where a file that is open for writing cannot be moved anyway
    fcntl = None  # type: ignore[assignment]

DONE, FAILED = "done", "failed"
# Names of temporary and hidden files.
_UNFINISHED = re.compile(r"\..*|.*(~|\.(tmp|temp|part|partial|crdownload|filepart|swp))", re.IGNORECASE)
# For this time, an empty file or one without a final line end counts as incomplete, s. Common practice, no source.
_PATIENCE_S = 30
# File systems allow 255 bytes.
_LONGEST_NAME = 200
_MOST_BYTES = 64 * 1024 * 1024
# Size, time of change and inode. A file is complete when they stay the same. The inode identifies a file of the same name.
_FileState = tuple[int, int, int]


class Refused(Exception):
    """A file that cannot be imported, whatever its content."""


class Busy(Exception):
    """A file that another process writes or imports now."""


@dataclass(frozen=True, slots=True)
class Found:
    """A file in the folder: its path, its printable path below the folder, and its kind, empty if unknown."""

    path: Path
    shown: str
    kind: str


def printable(text: str) -> str:
    """Returns a text with "?" in place of unprintable characters."""
    return "".join(char if char.isprintable() else "?" for char in text.encode("utf-8", "replace").decode())


def kind_of(name: str, kinds: Mapping[str, str]) -> str:
    """Returns the kind that a name equals or begins with, up to a separator, else "".

    Example:
        >>> kind_of("diameter-monday.csv", {"diameter": "diameter"}), kind_of("diameters.csv", {"diameter": "diameter"})
        ('diameter', '')
    """
    plain = name.casefold()
    named = (
        word for word in sorted(kinds, key=len, reverse=True) if re.match(rf"{re.escape(word)}(?![a-z0-9])", plain)
    )
    return kinds.get(next(named, ""), "")


class DropFolder:
    """A drop folder with subfolders named after kinds, and `done` and `failed` for processed files.

    Args:
        root: an existing folder.
        kinds: name of a subfolder, or beginning of a file name -> kind.

    Raises:
        OSError: the folders `done` and `failed` cannot be created.
    """

    def __init__(self, root: Path, kinds: Mapping[str, str]) -> None:
        self.root, self.kinds = root, kinds
        self._seen: dict[Path, _FileState] = {}
        for name in (DONE, FAILED):
            (root / name).mkdir(exist_ok=True)

    def complete(self) -> list[Found]:
        """Returns the files that have not changed since the last scan, in order of their names."""
        now: dict[Path, _FileState] = {}
        found = []
        for one in self._files():
            try:
                here = os.lstat(one.path)
            except OSError:
                continue
            now[one.path] = (here.st_size, here.st_mtime_ns, here.st_ino)
            if self._seen.get(one.path) == now[one.path] and not _may_grow(here):
                found.append(one)
        self._seen = now
        return found

    def _files(self) -> Iterator[Found]:
        places = [(self.root, "")]
        with os.scandir(self.root) as entries:
            places += [
                (self.root / entry.name, self.kinds[entry.name.casefold()])
                for entry in entries
                if entry.is_dir(follow_symlinks=False) and entry.name.casefold() in self.kinds
            ]
        for folder, kind in sorted(places):
            for path in sorted(folder.iterdir()):
                mode = _mode(path)
                if _UNFINISHED.fullmatch(path.name) or not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
                    continue
                shown = printable(str(path.relative_to(self.root)))
                yield Found(path, shown, kind or kind_of(path.name, self.kinds))

    @contextlib.contextmanager
    def taken(self, one: Found) -> Iterator[Callable[[], bytes]]:
        """Locks a file while it is imported and moved, and yields a function that reads it.

        Raises:
            Busy: another process writes, imports or has moved the file.
            Refused: the file is a link or cannot be read.
        """
        try:
            number = os.open(one.path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            raise Busy from None
        except OSError as error:
            if error.errno == errno.ELOOP:
                detail = "This is a link to another file. Links are not imported. Copy the file itself."
                raise Refused(detail) from None
            detail = (
                f"This file cannot be read: {error.strerror}. Let the user of this command read it. Then put it back."
            )
            raise Refused(detail) from None
        try:
            _lock(number, one.path)
            yield lambda: _read(number)
        finally:
            os.close(number)

    def put_away(self, one: Found, where: str, ending: str, lines: Iterable[str]) -> Path:
        """Moves a file to `done` or `failed` under an unused name, with a text file beside it. Returns the new path.

        Raises:
            OSError: the file cannot be moved and stays.
        """
        folder = self.root / where
        for place in _names(folder, one.path.name):
            beside = place.with_name(f"{place.name}{ending}")
            if os.path.lexists(beside):
                continue
            try:
                # The empty file reserves the name. The move then replaces only this empty file.
                os.close(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644))
            except FileExistsError:
                continue
            try:
                beside.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
                one.path.replace(place)
            except OSError:
                for made in (beside, place):
                    made.unlink(missing_ok=True)
                raise
            return place
        raise OSError(errno.EEXIST, "no name is left", str(folder))


def _names(folder: Path, name: str) -> Iterator[Path]:
    if len(os.fsencode(name)) > _LONGEST_NAME:
        # This leaves room for a number and for the ending of the text file.
        name = os.fsdecode(os.fsencode(name)[:_LONGEST_NAME])
    stem, suffix = Path(name).stem, Path(name).suffix
    yield folder / name
    for number in range(2, 1_000_000):
        yield folder / f"{stem}-{number}{suffix}"


def _mode(path: Path) -> int:
    try:
        return os.lstat(path).st_mode
    except OSError:
        return 0


def _may_grow(here: os.stat_result) -> bool:
    return here.st_size == 0 and time.time() - here.st_mtime < _PATIENCE_S


def _lock(number: int, path: Path) -> None:
    """Locks an open file. Raises Busy when its path has another file now, or when a process writes it."""
    if fcntl is not None:
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Busy from None
        except OSError:
            # The file system has no locks. The same content is stored only once nevertheless.
            pass
        _require_unwritten(number)
    here = os.fstat(number)
    try:
        there = os.lstat(path)
    except OSError:
        raise Busy from None
    if (here.st_dev, here.st_ino) != (there.st_dev, there.st_ino):
        raise Busy


def _require_unwritten(number: int) -> None:
    """Raises Busy when a process has the file open for writing. Linux gives no read lease then."""
    if not hasattr(fcntl, "F_SETLEASE"):
        return
    try:
        fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except BlockingIOError:
        raise Busy from None
    except OSError:
        # The file has another owner, or its file system has no leases.
        return
    fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_UNLCK)


def _read(number: int) -> bytes:
    """Returns the content of a locked file.

    Raises:
        Busy: the file changed while it was read, or is recent and has no final line end.
        Refused: the file is too large or cannot be read.
    """
    before = os.fstat(number)
    if before.st_size > _MOST_BYTES:
        raise Refused(f"This file is larger than {_MOST_BYTES:,} bytes. Split it.")
    try:
        with os.fdopen(os.dup(number), "rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise Refused(f"This file cannot be read: {error.strerror}.") from None
    after = os.fstat(number)
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or len(content) != after.st_size:
        raise Busy
    if not content.endswith((b"\n", b"\r")) and time.time() - after.st_mtime < _PATIENCE_S:
        raise Busy
    return content
