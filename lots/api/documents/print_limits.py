"""Limits on the printed rows of a document, with a note on omitted rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lots.api.documents.report_pages import Section, Table

# Maximum rows of a document, paragraphs of a section, and characters of a text. A row of a PDF takes about 2 ms.
MOST_ROWS = 800
MOST_PARAGRAPHS = 200
MOST_CHARACTERS = 4_000
# Maximum rows of a letter. Its PDF is made while the lot is locked.
MOST_ROWS_OF_LETTER = 200
WHOLE = "The JSON form (`Accept: application/json`) is complete."


def as_printed(sections: Sequence[Section], whole: str = WHOLE, most: int | None = None) -> list[Section]:
    """Returns sections shortened for print, with notes on omitted rows and paragraphs.

    Args:
        sections: Sections of a whole document.
        whole: Sentence on where to find omitted data.
        most: Maximum number of rows, if below the general one.
    """
    shares = iter(
        shared_out(
            [len(table.rows) for section in sections for table in section.tables], min(MOST_ROWS, most or MOST_ROWS)
        )
    )
    return [_printed(section, [next(shares) for _ in section.tables], whole) for section in sections]


def shared_out(wanted: Sequence[int], most: int) -> list[int]:
    """Returns the share of each in a limited total. Small demands are met, and the rest is divided equally.

    Example:
        >>> shared_out([10, 500, 700], 800), shared_out([1, 2], 800)
        ([10, 395, 395], [1, 2])
    """
    given = [0] * len(wanted)
    for done, place in enumerate(sorted(range(len(wanted)), key=lambda place: wanted[place])):
        given[place] = min(wanted[place], (most - sum(given)) // (len(wanted) - done))
    return given


def _printed(section: Section, shares: Sequence[int], whole: str) -> Section:
    said = [_cut(text) for text in section.paragraphs[:MOST_PARAGRAPHS]]
    if left := len(section.paragraphs) - len(said):
        said.append(f"{left:,} more sentences are omitted. {whole}")
    tables = []
    for table, share in zip(section.tables, shares, strict=True):
        tables.append(replace(table, rows=[tuple(_cut(cell) for cell in row) for row in table.rows[:share]]))
        if left := len(table.rows) - share:
            said.append(f"{table.title}: {left:,} of {len(table.rows):,} rows are omitted. {_where(table, whole)}")
    facts = [(name, _cut(text)) for name, text in section.facts]
    return Section(section.title, facts, said, tables)


def _where(table: Table, whole: str) -> str:
    return f"All rows are at {table.rest} (`Accept: text/csv` for CSV)." if table.rest else whole


def _cut(text: str) -> str:
    return text if len(text) <= MOST_CHARACTERS else f"{text[:MOST_CHARACTERS]}... ({len(text):,} characters)"
