"""The text of a file as rows of cells, each fault with its row and column. Pure: bytes in, a table out, no file is opened here."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from lots.domain.words import plural
from lots.services.errors import Fault

MOST_ROWS = 100_000
MOST_COLUMNS = 500
# Faults after which no more of a file is read.
MOST_FAULTS = 10_000
DELIMITERS = (",", ";")

# Cells of a row that are read; with one more it is at fault, and the rest of its line is passed over.
_MOST_CELLS = 2 * MOST_COLUMNS

_END_OF_LINE = re.compile(r"\r\n|\r|\n")
_STRAY = re.compile("[\udc80-\udcff]")


@dataclass(frozen=True, slots=True)
class CellFault(Fault):
    """One thing wrong with a file. `row` counts from 1, the header; `line` is told where line breaks in quotes make it another number."""

    row: int | None = None
    column: str | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Options:
    """What is said once for a whole file: how its cells are written, and the measuring conditions its columns leave out."""

    delimiter: str = ","
    decimal: str = "point"
    time_zone: str | None = None
    conditions: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Row:
    """One row below the header: its number, the line it starts on, its cells."""

    number: int
    line: int
    cells: list[str]


@dataclass(slots=True)
class Table:
    """What a file holds.

    Attributes:
        columns: names of the columns, as they stand in the file.
        meanings: the field each column fills, where that is not its name.
        rows: rows whose cells could be told apart, blank ones left out.
        count: rows below the header, those at fault included.
        faults: what is wrong with the writing itself.
        said: measuring conditions that a header states for all rows.
        measured_at: a time that a header states for all rows.
        notes: what was let by, in words.
        exchange: True for colour exchange text, whose rows are numbered by line.
    """

    columns: list[str] = field(default_factory=list)
    meanings: dict[str, str] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    count: int = 0
    faults: list[CellFault] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)
    measured_at: str | None = None
    notes: list[str] = field(default_factory=list)
    exchange: bool = False


def fault(
    detail: str,
    hint: str = "",
    *,
    row: int | None = None,
    line: int | None = None,
    column: str | None = None,
    confirm: str = "",
) -> CellFault:
    """Returns a fault that points at "row 7, column d1_mm", at the row alone, or by its name at what is said for all rows.

    Example:
        >>> fault("This is required.", row=7, line=7, column="d1_mm").pointer
        'row 7, column d1_mm'
    """
    pointer = column or ""
    if row is not None:
        pointer = f"row {row}" if column is None else f"row {row}, column {column}"
    return CellFault(pointer, detail, hint, confirm, row=row, column=column, line=None if line == row else line)


def text_of(content: bytes) -> tuple[str, list[CellFault]]:
    """Returns bytes as text, with or without a byte order mark. Bytes that are not UTF-8 stay visible to `strays`.

    A file in another encoding altogether gives no text and one fault.
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        hint = 'Save it as "CSV UTF-8".'
        return "", [fault("This file is UTF-16, not UTF-8.", hint)]
    return content.decode("utf-8-sig", "surrogateescape"), []


def strays(text: str) -> list[str]:
    """Returns the bytes of a cell that are not UTF-8, as 0xE4."""
    return [f"0x{ord(char) - 0xDC00:02X}" for char in _STRAY.findall(text)]


def read_csv(text: str, delimiter: str = ",") -> Table:
    r"""Returns the table of a CSV text (RFC 4180), with a fault for everything that cannot be told apart.

    Lines may end in CRLF, LF or CR. Blank rows are left out, but counted. After a fault, reading goes on with the next line.

    Args:
        text: the whole file.
        delimiter: "," or ";".

    Reference:
        RFC 4180, sections 2 and 3.

    Example:
        >>> table = read_csv('spool_code,note\nA-1,"two, quoted"\n')
        >>> table.columns, table.rows[0].cells
        (['spool_code', 'note'], ['A-1', 'two, quoted'])
    """
    table = Table()
    header: list[str] | None = None
    blank = 0
    for row in _Records(text, delimiter, table):
        if not any(cell.strip() for cell in row.cells):
            blank += 1
            if blank > MOST_ROWS:  # of a kind that takes as long to read as one with values
                table.faults.append(fault(f"A file holds at most {MOST_ROWS:,} rows of blank cells.", row=row.number))
                break
            continue
        if header is None:
            header = table.columns = [cell.strip() for cell in row.cells]
            if not _usable(header, delimiter, row, table):
                return table
            continue
        table.count += 1
        if table.count > MOST_ROWS:
            hint = "Split the file, and repeat the header in each part."
            table.faults.append(
                fault(f"A file holds at most {MOST_ROWS:,} rows below its header.", hint, row=row.number)
            )
            break
        if len(row.cells) != len(header):
            table.faults.append(_ragged(row, len(header), delimiter))
            continue
        table.rows.append(row)
    if header is None and not table.faults:
        table.faults.append(fault("This file is empty.", "Its first row names the columns."))
    return table


def _usable(header: list[str], delimiter: str, row: Row, table: Table) -> bool:
    """False when the header shows that the file is separated by something else, or is no header at all."""
    if len(header) > MOST_COLUMNS:
        table.faults.append(
            fault(f"A file has at most {MOST_COLUMNS} columns, this one {_count(header)}.", row=row.number)
        )
        return False
    if len(header) > 1:
        return True
    others = {";": "State ; as the delimiter", ",": "State a comma as the delimiter", "\t": "Save it with commas"}
    found = next((mark for mark in others if mark != delimiter and mark in header[0]), None)
    if found is None:
        return True
    name = "TAB" if found == "\t" else found
    detail = f"The header is a single column, {header[0][:60]!r}."
    table.faults.append(
        fault(detail, f"This looks separated by {name}. {others[found]}.", row=row.number, line=row.line)
    )
    return False


def _ragged(row: Row, wanted: int, delimiter: str) -> CellFault:
    detail = f"This row has {_count(row.cells)} {plural(len(row.cells), 'cell')}, the header has {wanted}."
    hint = "Write every cell, empty ones too. Put a cell that holds a comma in quotes."
    if delimiter == "," and len(row.cells) > wanted:
        hint = "Put text that holds a comma in quotes. Fractions written with a comma need ; as the delimiter."
    return fault(detail, hint, row=row.number, line=row.line)


def _count(cells: list[str]) -> str:
    return str(len(cells)) if len(cells) <= _MOST_CELLS else f"more than {_MOST_CELLS}"


def _pattern(delimiter: str) -> re.Pattern[str]:
    """One cell with what ends it. The quantifiers never give back, so no text makes this slow."""
    mark = re.escape(delimiter)
    return re.compile(rf'(?:"((?:[^"]++|"")*+)"|([^"{mark}\r\n]*+))({mark}|\r\n|\r|\n|\Z)')


def _blank(delimiter: str) -> re.Pattern[str]:
    """Lines of nothing but delimiters, blanks and tabs. It never gives back either."""
    return re.compile(rf"(?:[ \t{re.escape(delimiter)}]*+(?:\r\n|\r|\n))++")


def _lines(text: str) -> int:
    return text.count("\n") + text.count("\r") - text.count("\r\n")


class _Records:
    """The rows of a CSV text with number and line; faults of quoting go into the table, and their rows are left out.

    Blank lines are counted and passed over at once. Nothing is read after `MOST_FAULTS` faults.
    """

    def __init__(self, text: str, delimiter: str, table: Table) -> None:
        self._text, self._delimiter, self._table = text, delimiter, table
        self._cell, self._blank = _pattern(delimiter), _blank(delimiter)
        self._at, self._number, self._line = 0, 0, 1

    def __iter__(self) -> Iterator[Row]:
        while self._at < len(self._text):
            if passed := self._blank.match(self._text, self._at):
                lines, self._at = _lines(passed[0]), passed.end()
                self._number, self._line = self._number + lines, self._line + lines
                continue
            if len(self._table.faults) >= MOST_FAULTS:
                detail, hint = f"Reading stopped after {MOST_FAULTS:,} errors.", "Correct the errors above first."
                self._table.faults.append(fault(detail, hint, row=self._number, line=self._line))
                return
            self._number += 1
            first, cells = self._line, self._cells()
            if cells is not None:
                yield Row(self._number, first, cells)
            elif self._table.columns:
                self._table.count += 1
            else:
                return  # a header at fault leaves nothing to read the rows by

    def _cells(self) -> list[str] | None:
        """The cells of the row that begins here, None where its quotes cannot be told apart; goes on to the next row."""
        text, match, delimiter, first = self._text, self._cell.match, self._delimiter, self._line
        cells: list[str] = []
        while True:
            found = match(text, self._at)
            if found is None:
                name = self._table.columns[len(cells)] if len(cells) < len(self._table.columns) else None
                self._table.faults.append(_misquoted(text, self._at, self._number, first, name))
                self._pass_line()
                return None
            quoted, bare, after = found.groups()
            cells.append(bare if quoted is None else quoted.replace('""', '"'))
            self._line += 0 if quoted is None else len(_END_OF_LINE.findall(quoted))
            self._at = found.end()
            if after != delimiter:
                self._line += 1
                return cells
            if len(cells) > _MOST_CELLS:
                self._pass_line()
                return cells

    def _pass_line(self) -> None:
        end = _END_OF_LINE.search(self._text, self._at)
        self._at, self._line = (end.end() if end else len(self._text)), self._line + 1


def _misquoted(text: str, at: int, number: int, line: int, name: str | None) -> CellFault:
    if text[at] != '"':
        hint = "Double it, and put the whole cell in quotes."
        return fault("A quote stands inside a cell that has none around it.", hint, row=number, line=line, column=name)
    hint = "A quote that belongs to the text is doubled; nothing stands between the closing one and the delimiter."
    return fault(
        "The quotes around this cell are not closed as they should be.", hint, row=number, line=line, column=name
    )
