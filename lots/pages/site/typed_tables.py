"""Typed or pasted tables, one row per line, and faults that name the line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from flask import request

from lots.pages.site.calls import Refusal, Told
from lots.pages.site.place import number
from lots.services.errors import Fault, Invalid
from lots.services.files.csv_tables import strays, text_of

_BETWEEN_NUMBERS = re.compile(r"\s*;\s*|\s*,\s+|\s+")
_MOST_LINES = 5000


@dataclass(frozen=True, slots=True)
class Line:
    """A row of a table: its line, from 1, and its cells."""

    number: int
    cells: list[str]


def numbers_of(text: str) -> list[Any]:
    """Returns the rows of a text as numbers or lists such as L*, a*, b*. Text that is no number stays text, for the API to refuse."""
    rows = ([number(cell) for cell in _BETWEEN_NUMBERS.split(line)] for line in _filled(text).values())
    return [row[0] if len(row) == 1 else row for row in rows]


def colors_of(text: str) -> list[list[Any]]:
    """Returns the rows of a text as colours: a list of numbers each, however many a line has."""
    return [row if isinstance(row, list) else [row] for row in numbers_of(text)]


def lines_with_text(text: str) -> list[int]:
    """Returns the lines of a text that are not blank, from 1."""
    return list(_filled(text))


def table_of(field: str, text: str, columns: Sequence[str]) -> list[Line]:
    """Returns the rows of a table with so many columns. A first line that names the columns is left out.

    Args:
        field: the field that faults point to.
        text: cells separated by tab, semicolon or comma.
        columns: their names.

    Raises:
        Invalid: a row with more or fewer cells.
    """
    mark = next((one for one in ("\t", ";", ",") if one in text), ",")
    rows = [Line(place, [cell.strip() for cell in line.split(mark)]) for place, line in _filled(text).items()]
    if rows and isinstance(number(rows[0].cells[-1]), str) and rows[0].cells[0].casefold() == columns[0].casefold():
        rows = rows[1:]
    odd = [
        Fault(f"/{field}", f"Line {row.number}: {len(row.cells)} cells.", f"Give {len(columns)}: {', '.join(columns)}.")
        for row in rows
        if len(row.cells) != len(columns)
    ]
    if odd:
        raise Invalid(*odd)
    return rows


def sent_table(field: str) -> str:
    """Returns the text of a form's table: of its file where one was chosen, else as typed.

    Raises:
        Invalid: the file is no UTF-8 text.
    """
    file = request.files.get("file")
    content = file.stream.read() if file else b""
    if file:
        file.stream.seek(0)
    if not content.strip():
        return request.form.get(field, "")
    text, faults = text_of(content)
    if faults or strays(text):
        raise Invalid(Fault(f"/{field}", "This file is not UTF-8 text.", 'Save it as "CSV UTF-8".'))
    return text


def beside_lines(refused: Refusal | None, **lines: Sequence[int]) -> dict[str, list[str]]:
    """Returns the sentences of a refusal by field, as `Refusal.beside`; those about a row name its line.

    Args:
        lines: of each table, the line of each row that was sent.
    """
    found: dict[str, list[str]] = {}
    for told in refused.faults if refused else ():
        name = told.path[0]
        found.setdefault(name, []).append(_of_line(told, lines))
    return found


def _of_line(told: Told, lines: Mapping[str, Sequence[int]]) -> str:
    name, *inside = told.path
    known = lines.get(name, ())
    if not inside or not inside[0].isdigit() or int(inside[0]) >= len(known):
        return told.says
    part = f", {inside[1]}" if len(inside) > 1 and inside[1].isalpha() else ""
    return f"Line {known[int(inside[0])]}{part}: {told.says}"


def _filled(text: str) -> dict[int, str]:
    """Returns the lines of a text that are not blank, by their number from 1."""
    every = text.splitlines()[:_MOST_LINES]
    return {place: line.strip() for place, line in enumerate(every, start=1) if line.strip()}
