"""What `lots watch` does: imports each complete file of a folder once, as the kind that its subfolder or its name says, and puts it away with what came of it."""

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

# What a subfolder or a file may be called -> kind: the name of the API, and the word that people use.
KINDS: Mapping[str, str] = {
    **{declared.said.casefold(): name for name, declared in DECLARED.items()},
    **{name: name for name in imports.KINDS},
}
_NO_KIND = f"Neither the folder nor the name of this file says what it holds. Put it in a subfolder named {listed(list(imports.KINDS), 'or')}, or begin its name so."


def run(folder: Path, by: str, said: Mapping[str, str | None], *, every_s: float, once: bool) -> None:
    """Watches a folder until it is stopped, or looks through it once.

    Args:
        folder: to watch.
        by: who is recorded.
        said: options of files, as they were written.
        every_s: between two looks, s, > 0. A file that did not change meanwhile is complete.
        once: to end after one round.

    Raises:
        click.UsageError: an option that cannot be used.
        SystemExit: 1 when a file was refused or stays, in one round.
    """
    options = _options(said)
    drop = DropFolder(folder, KINDS)
    watcher = _Watcher(drop, by, options)
    with _stoppable() as stop:
        if not once:
            _say(f"Watching {printable(str(folder))}. Stop with Ctrl+C.")
        drop.complete()
        while True:
            stop.look()
            time.sleep(every_s)
            well = watcher.look()
            if once:
                sys.exit(0 if well else 1)


class _Stop:
    """Notes that somebody asked to stop: Python drops an exception that a signal raises while an object is being cleaned up."""

    asked = False

    def note(self, _number: int, _frame: object) -> None:
        """Handles a signal."""
        self.asked = True
        raise KeyboardInterrupt

    def look(self) -> None:
        """Raises KeyboardInterrupt once somebody has asked."""
        if self.asked:
            raise KeyboardInterrupt


@contextlib.contextmanager
def _stoppable() -> Iterator[_Stop]:
    """Ends cleanly by Ctrl+C and when a service manager asks. What was begun is undone, and its file stays."""
    stop = _Stop()
    before = {one: signal.signal(one, stop.note) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    except KeyboardInterrupt:
        _say("Stopped.")
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _say(text: str) -> None:
    click.echo(f"lots: {text}", err=True)


def _options(said: Mapping[str, str | None]) -> dict[str, Options]:
    """The options of a file by its kind. Measuring conditions belong to colours."""
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
    """Imports what is complete. A file that cannot be handled now stays, and is told once while it stays as it is."""

    def __init__(self, drop: DropFolder, by: str, options: Mapping[str, Options]) -> None:
        self.drop, self.by, self.options = drop, by, options
        self._told = ""

    def look(self) -> bool:
        """Handles every complete file; False where one was refused or stays."""
        files = self.drop.complete()
        if not files:
            return True
        try:
            with opened():
                handled = [self._handle(one) for one in files]
        except Exception as error:
            if (meant := of_engine(error)) is None:
                raise
            self._tell_once(f"{meant}; {counted(len(files), 'file waits', 'files wait')}.")
            return False
        if all(handled):
            self._told = ""
        return all(handled)

    def _tell_once(self, text: str) -> None:
        if text != self._told:
            _say(text)
        self._told = text

    def _handle(self, one: Found) -> bool:
        """Imports a file and puts it away; False where it was refused or cannot be moved."""
        try:
            with self.drop.taken(one) as read:
                return self._import(one, read())
        except Busy:
            # Whoever writes or imports it now is first; the next look tells more.
            return True
        except Refused as refused:
            return self._put_away(one, FAILED, [str(refused)], "refused")

    def _import(self, one: Found, content: bytes) -> bool:
        if not one.kind:
            return self._put_away(one, FAILED, [_NO_KIND], "refused")
        try:
            done = imports.import_file(one.kind, one.path.name, content, self.options[one.kind], self.by)
        except Invalid as refused:
            faults = [line_of(wrong) for wrong in refused.faults]
            return self._put_away(one, FAILED, faults, f"{counted(len(faults), 'fault')}; nothing was stored")
        except Clash:
            # Another wrote the same at the same moment. The next look tries again.
            return False
        except LotsError as refused:
            return self._put_away(one, FAILED, [refused.detail], "refused; nothing was stored")
        except Exception as error:
            if of_engine(error) is not None:
                raise
            # A fault of this program must not keep other files from being imported.
            self._tell_once(f"{one.shown}: this program failed, so the file stays ({type(error).__name__}: {error}).")
            return False
        results, notes = told(done)
        return self._put_away(one, DONE, [*results, *notes], results[0].rstrip("."))

    def _put_away(self, one: Found, where: str, lines: list[str], what: str) -> bool:
        ending = ".summary.txt" if where == DONE else ".faults.txt"
        try:
            place = self.drop.put_away(one, where, ending, lines)
        except OSError as error:
            self._tell_once(f"{one.shown}: {printable(what)}; it cannot be moved to {where}: {error.strerror}.")
            return False
        _say(f"{one.shown}: {printable(what)}; now {where}/{printable(place.name)}.")
        return where == DONE
