"""Parsing of CSV text into rows of cells, with the row and column of each error. Pure: it opens no file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from lots.domain.words import plural
from lots.services.errors import Fault

MOST_ROWS = 100_000
MOST_COLUMNS = 500
# Reading stops after so many errors.
MOST_FAULTS = 10_000
DELIMITERS = (",", ";")

# The most cells read of a row. The rest of a longer line is skipped, and the row is an error.
_MOST_CELLS = 2 * MOST_COLUMNS

_END_OF_LINE = re.compile(r"\r\n|\r|\n")
_STRAY = re.compile("[\udc80-\udcff]")


@dataclass(frozen=True, slots=True)
class CellFault(Fault):
    """An error in a file. The header is `row` 1. `line` is given if line breaks in quotes make it differ from `row`."""

    row: int | None = None
    column: str | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Options:
    """The options of a whole file: number and time format, and the measuring conditions that have no column."""

    delimiter: str = ","
    decimal: str = "point"
    time_zone: str | None = None
    conditions: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Row:
    """A row below the header: its number, its first line and its cells."""

    number: int
    line: int
    cells: list[str]


@dataclass(slots=True)
class Table:
    """The content of a file.

    Attributes:
        columns: names of the columns in the file.
        meanings: the field of each column with another name.
        rows: rows that could be parsed, without blank ones.
        count: rows below the header, including those with errors.
        faults: errors of syntax.
        said: measuring conditions stated in the header for all rows.
        measured_at: a time stated in the header for all rows.
        notes: ignored content, in words.
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
    """Returns an error that points to a row and column, to a row, or to a column of all rows.

    Example:
        >>> fault("This is required.", row=7, line=7, column="d1_mm").pointer
        'row 7, column d1_mm'
    """
    pointer = column or ""
    if row is not None:
        pointer = f"row {row}" if column is None else f"row {row}, column {column}"
    return CellFault(pointer, detail, hint, confirm, row=row, column=column, line=None if line == row else line)


def text_of(content: bytes) -> tuple[str, list[CellFault]]:
    """Returns the text of UTF-8 bytes, without a byte order mark. Other bytes are kept for `strays`.

    A file in UTF-16 gives no text and one error.
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        hint = 'Save it as "CSV UTF-8".'
        return "", [fault("This file is UTF-16, not UTF-8.", hint)]
    return content.decode("utf-8-sig", "surrogateescape"), []


def strays(text: str) -> list[str]:
    """Returns the bytes of a cell that are not UTF-8, as 0xE4."""
    return [f"0x{ord(char) - 0xDC00:02X}" for char in _STRAY.findall(text)]


def read_csv(text: str, delimiter: str = ",") -> Table:
    r"""Returns the table of a CSV text (RFC 4180), with an error for each row that cannot be parsed.

    Lines may end in CRLF, LF or CR. Blank rows are skipped, but keep their numbers. After an error, reading continues with the next line.

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
            if blank > MOST_ROWS:  # these rows take as long to read as rows with values
                table.faults.append(fault(f"A file may hold at most {MOST_ROWS:,} blank rows.", row=row.number))
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
                fault(f"A file may hold at most {MOST_ROWS:,} rows below its header.", hint, row=row.number)
            )
            break
        if len(row.cells) != len(header):
            table.faults.append(_ragged(row, len(header), delimiter))
            continue
        table.rows.append(row)
    if header is None and not table.faults:
        table.faults.append(fault("This file is empty.", "Give the names of the columns in the first row."))
    return table


def _usable(header: list[str], delimiter: str, row: Row, table: Table) -> bool:
    """Returns False if the header has too many columns, or another delimiter."""
    if len(header) > MOST_COLUMNS:
        table.faults.append(
            fault(f"A file may have at most {MOST_COLUMNS} columns. This file has {_count(header)}.", row=row.number)
        )
        return False
    if len(header) > 1:
        return True
    others = {
        ";": "Choose ; as the separator (command: --delimiter)",
        ",": "Choose a comma as the separator (command: --delimiter)",
        "\t": "Save the file with commas",
    }
    found = next((mark for mark in others if mark != delimiter and mark in header[0]), None)
    if found is None:
        return True
    name = "TAB" if found == "\t" else found
    detail = f"The header has a single column, {header[0][:60]!r}. It seems to be separated by {name}."
    table.faults.append(fault(detail, f"{others[found]}.", row=row.number, line=row.line))
    return False


def _ragged(row: Row, wanted: int, delimiter: str) -> CellFault:
    detail = f"This row has {_count(row.cells)} {plural(len(row.cells), 'cell')}, but the header has {wanted}."
    hint = "Write every cell, even if it is empty. Put a cell that contains a comma in quotes."
    if delimiter == "," and len(row.cells) > wanted:
        hint = "Put text that contains a comma in quotes. If numbers have a decimal comma, choose ; as the separator."
    return fault(detail, hint, row=row.number, line=row.line)


def _count(cells: list[str]) -> str:
    return str(len(cells)) if len(cells) <= _MOST_CELLS else f"more than {_MOST_CELLS}"


def _pattern(delimiter: str) -> re.Pattern[str]:
    """Returns the pattern of a cell with its end. Possessive quantifiers keep it fast for any text."""
    mark = re.escape(delimiter)
    return re.compile(rf'(?:"((?:[^"]++|"")*+)"|([^"{mark}\r\n]*+))({mark}|\r\n|\r|\n|\Z)')


def _blank(delimiter: str) -> re.Pattern[str]:
    """Returns the pattern of lines with nothing but delimiters, spaces and tabs, also with possessive quantifiers."""
    return re.compile(rf"(?:[ \t{re.escape(delimiter)}]*+(?:\r\n|\r|\n))++")


def _lines(text: str) -> int:
    return text.count("\n") + text.count("\r") - text.count("\r\n")


class _Records:
    """The rows of a CSV text. A row with wrong quotes is left out, and its error is added to the table.

    Consecutive blank lines are counted and skipped at once. Reading stops after `MOST_FAULTS` errors.
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
                return  # rows cannot be read without a valid header

    def _cells(self) -> list[str] | None:
        """Returns the cells of the next row, or None if its quotes are wrong, and moves to the row after it."""
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
        hint = "Double the quote, and put the whole cell in quotes."
        return fault("This cell contains a quote but is not in quotes.", hint, row=number, line=line, column=name)
    hint = "Double each quote inside the text, and end the cell with a quote directly before the delimiter."
    return fault("The quotes around this cell are not closed.", hint, row=number, line=line, column=name)
