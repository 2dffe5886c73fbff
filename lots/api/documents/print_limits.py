"""Limits on the printed rows of a document, with a note on omitted rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lots.api.documents.report_pages import Section, Table

# Rows of all tables of a paper together, paragraphs of a section, characters of one text. A row of a PDF takes some 2 ms.
MOST_ROWS = 800
MOST_PARAGRAPHS = 200
MOST_CHARACTERS = 4_000
# Rows of a letter: its PDF is made while the lot is locked.
MOST_ROWS_OF_LETTER = 200
WHOLE = "This paper as JSON (`Accept: application/json`) has all."


def as_printed(sections: Sequence[Section], whole: str = WHOLE, most: int | None = None) -> list[Section]:
    """Returns sections with as many rows and paragraphs as are printed; each that has more says how many it leaves out, and where they are.

    Args:
        sections: of a whole paper.
        whole: where a reader finds what is left out, in a sentence.
        most: rows, where they are fewer than of other papers.
    """
    shares = iter(
        shared_out(
            [len(table.rows) for section in sections for table in section.tables], min(MOST_ROWS, most or MOST_ROWS)
        )
    )
    return [_printed(section, [next(shares) for _ in section.tables], whole) for section in sections]


def shared_out(wanted: Sequence[int], most: int) -> list[int]:
    """Returns how many each gets where they are fewer than wanted: all get what they want up to an equal share of what the others leave.

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
        said.append(f"{left:,} more sentences are left out. {whole}")
    tables = []
    for table, share in zip(section.tables, shares, strict=True):
        tables.append(replace(table, rows=[tuple(_cut(cell) for cell in row) for row in table.rows[:share]]))
        if left := len(table.rows) - share:
            said.append(f"{table.title}: {left:,} of {len(table.rows):,} rows are left out. {_where(table, whole)}")
    facts = [(name, _cut(text)) for name, text in section.facts]
    return Section(section.title, facts, said, tables)


def _where(table: Table, whole: str) -> str:
    return f"All are at {table.rest} (`Accept: text/csv` for CSV)." if table.rest else whole


def _cut(text: str) -> str:
    return text if len(text) <= MOST_CHARACTERS else f"{text[:MOST_CHARACTERS]}... ({len(text):,} characters)"
