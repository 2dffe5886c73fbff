"""A parsed import file, and the rows and columns of errors in its items."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from lots.domain.characteristics.registry import DECLARED
from lots.services.errors import Fault
from lots.services.files.csv_tables import CellFault, fault

_POINTER = re.compile(r"/(\d+)(?:/(.*))?", re.DOTALL)
# The first word of an error about one coordinate of a colour.
_COORDINATES = ("L*", "a*", "b*")


@dataclass(slots=True)
class Source:
    """The origin of an item: its row, its first line, and the fields that already have an error."""

    row: int
    line: int
    broken: set[str] = field(default_factory=set)

    def is_broken(self, path: str) -> bool:
        """Returns True if this field, a part of it or its parent already has an error."""
        return any(f"{path}/".startswith(f"{known}/") or f"{known}/".startswith(f"{path}/") for known in self.broken)


@dataclass(slots=True)
class Draft:
    """A parsed file.

    Attributes:
        digest: of kind, options and content.
        rows: rows below the header.
        items: one for each row that counts, in the types of the API. A field with an error holds a placeholder, so that the rest can be checked.
        sources: the origin of each item.
        columns: field, such as `lab/0`, -> name of its column in the file.
        faults: found so far.
        codes: item -> code of its instrument.
        skipped: voided and excluded readings that were ignored.
        notes: other ignored content, in words.
    """

    kind: str
    file_name: str
    digest: str
    rows: int = 0
    items: list[dict[str, object]] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    faults: list[CellFault] = field(default_factory=list)
    codes: dict[int, str] = field(default_factory=dict)
    skipped: int = 0
    notes: list[str] = field(default_factory=list)


def fault_at(source: Source, column: str | None, wrong: Fault) -> CellFault:
    """Returns an error with its row and column."""
    return fault(wrong.detail, wrong.hint, row=source.row, line=source.line, column=column, confirm=wrong.confirm)


def placed(draft: Draft, faults: Iterable[Fault]) -> list[CellFault]:
    """Returns the errors of a service with their rows and columns, without those caused by an earlier error."""
    found = []
    for wrong in faults:
        at = _POINTER.fullmatch(wrong.pointer)
        if at is None:
            found.append(fault(wrong.detail, wrong.hint))
            continue
        if int(at[1]) >= len(draft.sources):
            continue
        source, path = draft.sources[int(at[1])], _narrowed(draft.kind, at[2] or "", wrong.detail)
        if source.is_broken(path):
            continue
        column = column_of(draft.columns, path)
        if _within_conditions(draft.kind, path) and path not in draft.columns:
            found.append(fault(wrong.detail, wrong.hint, column=column))  # an option of the file, so one error
        else:
            found.append(fault_at(source, column, wrong))
    return found


def _within_conditions(kind: str, path: str) -> bool:
    said = DECLARED[kind].of_type("conditions") if kind in DECLARED else None
    return said is not None and path.startswith(f"{said.name}/")


def _narrowed(kind: str, path: str, detail: str) -> str:
    """Returns the path of the coordinate or condition that an error names, if that may have its own column."""
    declared, begins = DECLARED.get(kind), detail.partition(" ")[0]
    field = declared.field(path) if declared else None
    if field is None:
        return path
    if field.type == "lab" and field.columns and begins in _COORDINATES:
        return f"{path}/{_COORDINATES.index(begins)}"
    is_condition = field.type == "conditions" and begins.isidentifier() and begins.islower()
    return f"{path}/{begins}" if is_condition else path


def column_of(columns: dict[str, str], path: str) -> str | None:
    """Returns the column of a field, or the name that its column would have.

    Example:
        >>> column_of({"lab/0": "LAB_L"}, "lab/0"), column_of({"supplier_code": "supplier_code"}, "supplier_id")
        ('LAB_L', 'supplier_code')
    """
    if not path:
        return None
    around = path.partition("/")[0]
    other = f"{path.removesuffix('_id')}_code" if path.endswith("_id") else path
    return columns.get(path) or columns.get(other) or columns.get(around) or path.rpartition("/")[2]
