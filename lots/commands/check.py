"""`lots check`: prints errors on standard output, one per line, and progress and a summary on standard error."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click

from lots.domain.words import counted
from lots.services.assessment import integrity_checks
from lots.services.setup import access
from lots.store import audit
from lots.store.upkeep import integrity as store

_HEAD = re.compile(r"(shop|lot:\d{1,19}) (\d{1,9}) ([0-9a-f]{64})")


def run(*, heads: bool, noted: Path | None, rebuild: bool) -> None:
    """Checks the database and prints the errors.

    Args:
        heads: print the last hash of every history if there is no error.
        noted: a file of earlier heads to compare with.
        rebuild: recalculate values of lots that do not follow from their readings.

    Raises:
        click.UsageError: the file holds no heads.
        SystemExit: 1 when errors remain.
    """
    known = {} if noted is None else _heads_in(noted)
    with store.snapshot():
        flaws = [*integrity_checks.found(_with_progress), *integrity_checks.against(known)]
        size = f"{counted(len(store.lot_names()), 'lot')} and {counted(store.entry_count(), 'entry', 'entries')} of the history"
        whole = audit.heads()
    if rebuild:
        right, flaws = integrity_checks.rebuild(flaws, access.COMMAND, _with_progress)
        for flaw in right:
            click.echo(f"{flaw.line} Recalculated.")
        whole = audit.heads()
    for flaw in flaws:
        click.echo(flaw.line)
    if flaws:
        _message(f"{size} checked: {counted(len(flaws), 'error')}.")
        sys.exit(1)
    _message(f"{size} checked: no errors.")
    if heads:
        for chain, (length, head) in whole.items():
            click.echo(f"{chain} {length} {head}")


def _message(text: str) -> None:
    click.echo(f"lots: {text}", err=True)


def _heads_in(noted: Path) -> dict[str, tuple[int, str]]:
    found = {}
    for number, line in enumerate(noted.read_text("utf-8", "replace").splitlines(), start=1):
        head = _HEAD.fullmatch(line.strip())
        if head is None:
            raise click.UsageError(f"Line {number} of {noted} is not a line of `lots check --heads`.")
        found[head[1]] = (int(head[2]), head[3])
    if not found:
        raise click.UsageError(f"{noted} is empty. Name a file with the output of `lots check --heads`.")
    return found


def _with_progress(label: str, items: Sequence[Any]) -> Iterable[Any]:
    """Yields the items of a list, with a progress bar on a terminal."""
    if not sys.stderr.isatty():
        yield from items
        return
    with click.progressbar(items, label=label, file=sys.stderr) as bar:
        yield from bar
