"""`lots import`: imports a file, and prints results on standard output and errors on standard error, one per line."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click

from lots.api.files import imports
from lots.domain.characteristics.registry import DECLARED
from lots.domain.words import counted
from lots.services.errors import Fault, Invalid
from lots.services.files.csv_tables import CellFault, Row
from lots.services.files.import_outcome import Imported


def run(file: Path, by: str, said: dict[str, str | None]) -> None:
    """Imports a file and prints the result.

    Args:
        file: to read.
        by: the name to record in the history.
        said: kind, dry_run and options, as typed.

    Raises:
        click.UsageError: an invalid option.
        SystemExit: 1 when the file has errors. They are printed on standard error.
    """
    try:
        args = imports.args_from(said)
        options = imports.options_from(args)
    except Invalid as refused:
        raise click.UsageError("\n".join(line_of(wrong) for wrong in refused.faults)) from None
    try:
        done = imports.import_file(
            args["kind"], file.name, file.read_bytes(), options, by, dry_run=args["dry_run"], watch=_with_progress
        )
    except Invalid as refused:
        for wrong in refused.faults:
            click.echo(line_of(wrong), err=True)
        errors = counted(len(refused.faults), "error")
        click.echo(f"lots: {errors} in {file.name}. Nothing was stored.", err=True)
        sys.exit(1)
    results, notes = told(done)
    for line in results:
        click.echo(line)
    for line in notes:
        click.echo(line, err=True)


def _with_progress(rows: list[Row]) -> Iterator[Row]:
    """Yields the rows, with a progress bar on a terminal."""
    if not sys.stderr.isatty():
        yield from rows
        return
    with click.progressbar(rows, label=f"Reading {len(rows):,} rows", file=sys.stderr) as bar:
        yield from bar


def line_of(wrong: Fault) -> str:
    """Returns an error as one line: its place, the error and a hint."""
    where = wrong.pointer
    if isinstance(wrong, CellFault) and wrong.line is not None:
        where = where.replace(f"row {wrong.row}", f"row {wrong.row} (line {wrong.line})", 1)
    text = f"{wrong.detail} {wrong.hint}".strip()
    return " ".join((f"{where}: {text}" if where else text).encode("utf-8", "replace").decode().split())


def told(done: Imported) -> tuple[list[str], list[str]]:
    """Returns the lines that describe an import: results, and warnings of probable mistakes."""
    declared = DECLARED.get(done["kind"])
    what = (f"{declared.said} reading",) if declared else ("delivery", "deliveries")
    count = counted(done["items"], *what)
    if done["already_imported"]:
        when = f"{done['recorded_at']:%Y-%m-%d %H:%M} UTC"
        results = [
            f"{done['file_name']} was already imported ({count}, import {done['id']}, {when}). Nothing was changed."
        ]
    elif done["dry_run"]:
        results = [f"Dry run: {count} would be stored from {done['file_name']}. Nothing was stored."]
    else:
        results = [f"{count} stored from {done['file_name']} as import {done['id']}."]
    for lot in done["lots"]:
        results += [lot["says"], *filter(None, [lot["exposure_says"]])]
    results += [
        f"Delivery {delivery['id']} of lot {delivery['supplier_lot']}: {delivery['sample']['says']}"
        for delivery in done["deliveries"]
        if delivery["sample"]
    ]
    notes = [f"row {one['row']}, column {one['column']}: {one['detail']} {one['hint']}" for one in done["warnings"]]
    return results, [*notes, *(f"lots: {note}" for note in done["notes"])]
