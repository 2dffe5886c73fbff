"""A folder that instruments and people put files into: which files are complete, who takes them, and where they go. No file is ever written over."""

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
except ImportError:  # not on Windows: there a file that is open for writing cannot be moved anyway
    fcntl = None  # type: ignore[assignment]

DONE, FAILED = "done", "failed"
# What programs call files that they are still writing, and files that are hidden.
_UNFINISHED = re.compile(r"\..*|.*(~|\.(tmp|temp|part|partial|crdownload|filepart|swp))", re.IGNORECASE)
# An empty file, or one whose last line has no end, may still be written. Common practice, no source.
_PATIENCE_S = 30
# Of 255 bytes that file systems allow.
_LONGEST_NAME = 200
_MOST_BYTES = 64 * 1024 * 1024
# Size and time of change: a file is complete when both stay. Its number tells it from another of the same name.
_Look = tuple[int, int, int]


class Refused(Exception):
    """A file that is not imported, whatever it holds."""


class Busy(Exception):
    """A file that somebody else writes or imports now."""


@dataclass(frozen=True, slots=True)
class Found:
    """A file in the folder: where it is, its name below the folder in one line, and what it is to be imported as; empty where nothing says so."""

    path: Path
    shown: str
    kind: str


def printable(text: str) -> str:
    """Returns a text in one line, without characters that cannot be seen."""
    return "".join(char if char.isprintable() else "?" for char in text.encode("utf-8", "replace").decode())


def kind_of(name: str, kinds: Mapping[str, str]) -> str:
    """Returns the kind that a name says: itself, or its beginning up to a separator; empty for none.

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
    """The folder. Its subfolders are named after kinds; files that were handled go to `done` and `failed`.

    Args:
        root: the folder, which exists.
        kinds: what a subfolder or a file may be called -> kind.

    Raises:
        OSError: the folders for what was handled cannot be made.
    """

    def __init__(self, root: Path, kinds: Mapping[str, str]) -> None:
        self.root, self.kinds = root, kinds
        self._seen: dict[Path, _Look] = {}
        for name in (DONE, FAILED):
            (root / name).mkdir(exist_ok=True)

    def complete(self) -> list[Found]:
        """Returns the files that have not changed since the last look, in order of their names."""
        now: dict[Path, _Look] = {}
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
        """Holds a file while it is imported and moved, so that no other process imports it, and yields what reads it.

        Raises:
            Busy: somebody writes it, imports it, or took it away.
            Refused: it is a link, or cannot be read.
        """
        try:
            number = os.open(one.path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            raise Busy from None
        except OSError as error:
            if error.errno == errno.ELOOP:
                detail = "This is a link to another file. Only files that lie in the folder are imported. Copy the file itself."
                raise Refused(detail) from None
            detail = (
                f"This file cannot be read: {error.strerror}. Let whoever runs the command read it, and put it back."
            )
            raise Refused(detail) from None
        try:
            _hold(number, one.path)
            yield lambda: _read(number)
        finally:
            os.close(number)

    def put_away(self, one: Found, where: str, ending: str, lines: Iterable[str]) -> Path:
        """Moves a file to `done` or `failed` with a text beside it, under a name that nothing has yet, and returns where it is.

        Raises:
            OSError: it cannot be moved. It stays where it was.
        """
        folder = self.root / where
        for place in _names(folder, one.path.name):
            beside = place.with_name(f"{place.name}{ending}")
            if os.path.lexists(beside):
                continue
            try:
                # Whoever makes the empty file owns the name. Moving over it replaces nothing else.
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
        # There must be room for a number and for the name of the text beside it.
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


def _hold(number: int, path: Path) -> None:
    """Locks a file that is open, and makes sure that it is still the one at its path and that nobody writes it."""
    if fcntl is not None:
        try:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Busy from None
        except OSError:
            # A file system without locks. The same content is stored once all the same.
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
    """Asks the kernel, where it tells (Linux), whether somebody has the file open for writing: then no lease on reading is given."""
    if not hasattr(fcntl, "F_SETLEASE"):
        return
    try:
        fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except BlockingIOError:
        raise Busy from None
    except OSError:
        # It belongs to somebody else, or lies where the kernel does not know.
        return
    fcntl.fcntl(number, fcntl.F_SETLEASE, fcntl.F_UNLCK)


def _read(number: int) -> bytes:
    """Reads a file that is held.

    Raises:
        Busy: it changed meanwhile, or its last line has no end and it is fresh.
        Refused: it is too large, or cannot be read.
    """
    before = os.fstat(number)
    if before.st_size > _MOST_BYTES:
        raise Refused(f"This file has more than {_MOST_BYTES:,} bytes. Split it.")
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
