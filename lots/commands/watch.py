"""`lots watch`: imports each complete file of a folder once, and moves it with a summary or its errors. Its subfolder or name gives the kind."""

from __future__ import annotations

import contextlib
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import click

from lots.api.files import imports
from lots.api.files.file_shapes import shape_of
from lots.commands.drop_folder import DONE, FAILED, Busy, DropFolder, Found, Refused, printable
from lots.commands.file_import import line_of, told
from lots.commands.plainly import opened
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import counted, listed
from lots.services.errors import Clash, Invalid, LotsError, of_engine
from lots.services.files.color_exchange import KEYWORDS
from lots.services.files.csv_tables import Options

# Name of a subfolder, or beginning of a file name -> kind. Both the name of the API and the word that people use are accepted.
KINDS: Mapping[str, str] = {
    **{declared.said.casefold(): name for name, declared in DECLARED.items()},
    **{name: name for name in imports.KINDS},
}
_NO_KIND = f"The kind of this file is unknown. Put it in a subfolder named {listed(list(imports.KINDS), 'or')}, or begin its name with one of these words."


def run(folder: Path, by: str, said: Mapping[str, str | None], *, every_s: float, once: bool) -> None:
    """Watches a folder until stopped, or scans it once.

    Args:
        folder: to watch.
        by: the name to record in the history.
        said: options of files, as typed.
        every_s: time between two scans, s, > 0. A file that did not change in between is complete.
        once: True ends after one scan.

    Raises:
        click.UsageError: an invalid option.
        SystemExit: after one scan, 1 when a file failed or was left.
    """
    options = _options(said)
    drop = DropFolder(folder, KINDS)
    watcher = _Watcher(drop, by, options)
    with _stoppable() as stop:
        if not once:
            _message(f"Watching {printable(str(folder))}. Stop with Ctrl+C.")
        drop.complete()
        while True:
            stop.look()
            time.sleep(every_s)
            well = watcher.look()
            if once:
                sys.exit(0 if well else 1)


class _Stop:
    """A flag set by a signal to stop. Python drops an exception that a signal raises during the cleanup of an object."""

    asked = False

    def note(self, _number: int, _frame: object) -> None:
        """Sets the flag and raises KeyboardInterrupt."""
        self.asked = True
        raise KeyboardInterrupt

    def look(self) -> None:
        """Raises KeyboardInterrupt after a signal."""
        if self.asked:
            raise KeyboardInterrupt


@contextlib.contextmanager
def _stoppable() -> Iterator[_Stop]:
    """Handles Ctrl+C and SIGTERM for a block. An import in progress is rolled back, and its file stays."""
    stop = _Stop()
    before = {one: signal.signal(one, stop.note) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    except KeyboardInterrupt:
        _message("Stopped.")
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _message(text: str) -> None:
    click.echo(f"lots: {text}", err=True)


def _options(said: Mapping[str, str | None]) -> dict[str, Options]:
    """Returns the import options of each kind. Only colours have measuring conditions."""
    found = {}
    for kind in imports.KINDS:
        conditional = shape_of(kind).name_of("conditions") is not None
        mine = {name: text for name, text in said.items() if conditional or name not in KEYWORDS}
        try:
            found[kind] = imports.options_from(imports.args_from({**mine, "kind": kind}))
        except Invalid as refused:
            raise click.UsageError("\n".join(line_of(wrong) for wrong in refused.faults)) from None
    return found


class _Watcher:
    """The importer of complete files. A file that cannot be imported now stays, and its message is printed once."""

    def __init__(self, drop: DropFolder, by: str, options: Mapping[str, Options]) -> None:
        self.drop, self.by, self.options = drop, by, options
        self._last_message = ""

    def look(self) -> bool:
        """Imports all complete files. Returns False when one failed or was left."""
        files = self.drop.complete()
        if not files:
            return True
        try:
            with opened():
                handled = [self._handle(one) for one in files]
        except Exception as error:
            if (meant := of_engine(error)) is None:
                raise
            self._message_once(f"{str(meant).rstrip('.')}. {counted(len(files), 'file is', 'files are')} waiting.")
            return False
        if all(handled):
            self._last_message = ""
        return all(handled)

    def _message_once(self, text: str) -> None:
        if text != self._last_message:
            _message(text)
        self._last_message = text

    def _handle(self, one: Found) -> bool:
        """Imports and moves a file. Returns False when it failed or cannot be moved."""
        try:
            with self.drop.taken(one) as read:
                return self._import(one, read())
        except Busy:
            # Another process writes or imports the file. The next scan looks again.
            return True
        except Refused as refused:
            return self._move(one, FAILED, [str(refused)], "not imported")

    def _import(self, one: Found, content: bytes) -> bool:
        if not one.kind:
            return self._move(one, FAILED, [_NO_KIND], "not imported")
        try:
            done = imports.import_file(one.kind, one.path.name, content, self.options[one.kind], self.by)
        except Invalid as refused:
            errors = [line_of(wrong) for wrong in refused.faults]
            return self._move(one, FAILED, errors, f"not imported, {counted(len(errors), 'error')}")
        except Clash:
            # A concurrent request wrote the same row. The next scan tries again.
            return False
        except LotsError as refused:
            return self._move(one, FAILED, [refused.detail], "not imported")
        except Exception as error:
            if of_engine(error) is not None:
                raise
            # A bug must not stop the import of other files.
            self._message_once(f"{one.shown}: internal error, so the file stays ({type(error).__name__}: {error}).")
            return False
        results, notes = told(done)
        return self._move(one, DONE, [*results, *notes], results[0].rstrip("."))

    def _move(self, one: Found, where: str, lines: list[str], what: str) -> bool:
        ending = ".summary.txt" if where == DONE else ".faults.txt"
        try:
            place = self.drop.put_away(one, where, ending, lines)
        except OSError as error:
            self._message_once(f"{one.shown}: {printable(what)}. It cannot be moved to {where}: {error.strerror}.")
            return False
        _message(f"{one.shown}: {printable(what)}. Moved to {where}/{printable(place.name)}.")
        return where == DONE
