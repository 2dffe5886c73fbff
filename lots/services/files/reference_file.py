"""Reading a reference colour from a file, colour exchange text or CSV, with its measuring conditions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from lots.domain.words import counted, listed
from lots.services.errors import Fault, Invalid
from lots.services.files import cell_parsing, spectral_columns
from lots.services.files.color_exchange import KEYWORDS, is_exchange_text, read_exchange
from lots.services.files.csv_tables import CellFault, Row, Table, read_csv, text_of
from lots.store.tables.setup import KeptSpectrum

MOST_COLORS = 1000
_LAB = ("L", "a", "b")


@dataclass(frozen=True, slots=True)
class ReferenceFile:
    """A reference colour in a file: its colours, or the mean of its spectra, and its conditions as text."""

    labs: list[list[float]] = field(default_factory=list)
    spectrum: KeptSpectrum | None = None
    conditions: dict[str, str] = field(default_factory=dict)


def read_reference(content: bytes) -> ReferenceFile:
    """Returns the colours of a file.

    Notes:
        Columns of a CSV file are L, a, b, nm400 to nm780, and measuring conditions. Others are ignored. Spectra take precedence over L*, a*, b*,
        because the colour is computed from them.

    Raises:
        Invalid: the errors of the file, at /file.
    """
    text, faults = text_of(content)
    table = Table(faults=list(faults)) if faults else _table(text)
    # A reference has no spool code, and needs no name.
    wrong = [one for one in table.faults if one.column != "SAMPLE_NAME"]
    if wrong:
        raise Invalid(*map(_at_file, wrong[:20]))
    if not table.rows or len(table.rows) > MOST_COLORS:
        detail, hint = f"This file holds {counted(len(table.rows), 'colour')}.", f"Give 1 to {MOST_COLORS} colours."
        raise Invalid(Fault("/file", detail, hint))
    fields = [table.meanings.get(name, _named(name)) for name in table.columns]
    said = _conditions(table, fields)
    spectra = [_spectrum(row, fields) for row in table.rows if any(name in spectral_columns.COLUMNS for name in fields)]
    if spectra:
        return ReferenceFile(spectrum=_mean(spectra), conditions=said)
    if missing := [name for name in _LAB if name not in fields]:
        detail = f"This file has no column {listed(missing, 'or')}."
        raise Invalid(Fault("/file", detail, "Name the columns L, a and b, or nm400, nm410 and so on for a spectrum."))
    places = [fields.index(name) for name in _LAB]
    return ReferenceFile([[_number(row, place, fields[place]) for place in places] for row in table.rows], None, said)


def _conditions(table: Table, fields: Sequence[str]) -> dict[str, str]:
    """Returns the measuring conditions in the header of exchange text, or in the first row of CSV."""
    if table.exchange:
        return {name: value for name, value in table.said.items() if value}
    cells = dict(zip(fields, table.rows[0].cells, strict=True))
    return {name: cells[name].strip() for name in KEYWORDS if cells.get(name, "").strip()}


def _table(text: str) -> Table:
    if is_exchange_text(text):
        return read_exchange(text)
    header = text.lstrip().partition("\n")[0]
    return read_csv(text, ";" if header.count(";") >= header.count(",") and ";" in header else ",")


def _named(column: str) -> str:
    """Returns the field of a CSV column, such as L for L* and lab_l."""
    plain = re.sub(r"^(cie)?(lab)?[_ ]?", "", column.strip().lower()).rstrip("*") or column
    return {"l": "L", "a": "a", "b": "b"}.get(plain, column.strip())


def _at_file(one: CellFault) -> Fault:
    where = f"Row {one.row}: " if one.row is not None else ""
    return Fault("/file", f"{where}{one.detail}", one.hint)


def _number(row: Row, place: int, name: str) -> float:
    cell = row.cells[place].strip()
    try:
        return cell_parsing.number(cell, "comma" if "," in cell else "point")
    except cell_parsing.BadCell as wrong:
        raise Invalid(Fault("/file", f"Row {row.number}, column {name}: {wrong.detail}", wrong.hint)) from None


def _spectrum(row: Row, fields: Sequence[str]) -> KeptSpectrum:
    known = {
        spectral_columns.COLUMNS[name]: _number(row, place, name)
        for place, name in enumerate(fields)
        if name in spectral_columns.COLUMNS and row.cells[place].strip()
    }
    if not known:
        raise Invalid(Fault("/file", f"Row {row.number} has no spectrum.", "Give a value every 10 or 20 nm."))
    try:
        return spectral_columns.from_cells(known)
    except spectral_columns.Gap as gap:
        raise Invalid(
            Fault("/file", f"Row {row.number} has no value at {gap.nm} nm.", "Give a value every 10 or 20 nm.")
        ) from None


def _mean(spectra: Sequence[KeptSpectrum]) -> KeptSpectrum:
    first = spectra[0]
    if any(
        (one["start_nm"], one["step_nm"], len(one["values"]))
        != (first["start_nm"], first["step_nm"], len(first["values"]))
        for one in spectra
    ):
        raise Invalid(
            Fault(
                "/file",
                "The spectra of this file have different wavelengths.",
                "Give the same wavelengths for all spectra.",
            )
        )
    values = [sum(at) / len(spectra) for at in zip(*(one["values"] for one in spectra), strict=True)]
    return {"start_nm": first["start_nm"], "step_nm": first["step_nm"], "values": values}
