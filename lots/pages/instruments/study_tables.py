"""Conversion of the typed table of a study to the API's trials, artefacts or plaques."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from lots.pages.site.place import number
from lots.pages.site.typed_tables import Line, table_of
from lots.services.errors import Fault, Invalid

# Kind of study -> the API's name for its table, its columns, and an example line.
TABLES: dict[str, tuple[str, tuple[str, ...], str]] = {
    "repeatability": ("trials", ("Part", "Operator", "Value"), "pin 1; Ann; 1.751"),
    "linearity": ("artefacts", ("Artefact", "Reference value", "Reading"), "pin 1.75; 1.750; 1.752"),
    "agreement": ("plaques", ("Plaque", "Instrument", "L*", "a*", "b*"), "Q-71; first; 95.1; -0.8; 1.6"),
}
_SIDES = ("first", "second")


@dataclass(slots=True)
class StudyTable:
    """The entries of a table as the API takes them, and the line of each."""

    name: str
    entries: list[dict[str, Any]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)


def study_table(kind: str, text: str) -> StudyTable:
    """Returns the table of a study.

    Args:
        kind: one of TABLES.
        text: as typed, pasted or sent in a file.

    Raises:
        Invalid: at `table`, a row of another form, or a row that contradicts an earlier row.
    """
    name, columns, _ = TABLES[kind]
    made = StudyTable(name)
    for row in table_of("table", text, columns):
        _ADD[kind](made, row)
    return made


def _add_trial(made: StudyTable, row: Line) -> None:
    part, operator, value = row.cells
    made.entries.append({"part": part, "operator": operator, "value": number(value)})
    made.lines.append(row.number)


def _of_code(made: StudyTable, row: Line, fresh: dict[str, Any]) -> dict[str, Any]:
    """Returns the entry of a code, and adds it at the first row of the code."""
    code = row.cells[0]
    known = next((one for one in made.entries if one["code"] == code), None)
    if known is None:
        known = {"code": code, **fresh}
        made.entries.append(known)
        made.lines.append(row.number)
    return known


def _add_artefact(made: StudyTable, row: Line) -> None:
    code, reference, reading = row.cells
    known = _of_code(made, row, {"reference": number(reference), "readings": []})
    if known["reference"] != number(reference):
        detail = f"Line {row.number}: artefact {code} has another reference value above."
        raise Invalid(Fault("/table", detail, "Give one reference value for each artefact."))
    known["readings"].append(number(reading))


def _add_plaque(made: StudyTable, row: Line) -> None:
    _, side, *lab = row.cells
    if side.casefold() not in _SIDES:
        hint = "Write first for this instrument and second for the other one."
        raise Invalid(Fault("/table", f"Line {row.number}: the instrument is neither first nor second.", hint))
    known = _of_code(made, row, {"first": [], "second": []})
    known[side.casefold()].append([number(part) for part in lab])


_ADD = {"repeatability": _add_trial, "linearity": _add_artefact, "agreement": _add_plaque}
