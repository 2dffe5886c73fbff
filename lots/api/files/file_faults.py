"""Faults of a file: at its header, at a row or for the whole file."""

from __future__ import annotations

from dataclasses import dataclass

from lots.services.files.csv_tables import Table, fault
from lots.services.files.drafts import Draft, Source


@dataclass(frozen=True, slots=True)
class FileFaults:
    """Adds faults to the draft of a file."""

    table: Table
    draft: Draft

    def at_header(self, column: str, detail: str, hint: str) -> None:
        """Adds a fault of a column. In colour exchange text it has no row."""
        row = None if self.table.exchange else 1
        self.draft.faults.append(fault(detail, hint, row=row, line=row, column=column))

    def at_row(self, source: Source, column: str, detail: str, hint: str) -> None:
        """Adds a fault of a cell."""
        self.draft.faults.append(fault(detail, hint, row=source.row, line=source.line, column=column))

    def of_file(self, column: str, detail: str, hint: str) -> None:
        """Adds a fault of the whole file."""
        self.draft.faults.append(fault(detail, hint, column=column))
