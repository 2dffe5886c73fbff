"""A report as a PDF. Imported only on request, since its library comes with the extra `pdf`.

The page is A4 with margins of 20 mm at top and bottom, 14 mm for page numbers. It also prints completely on Letter, which is 18 mm
shorter and 6 mm wider.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import TTFFont

from lots.api.documents.report_pages import Section, Table

_FONT, _FONTS = "DejaVu", Path(__file__).parents[1] / "fonts"
_MARGIN, _SIDE, _FOOT = 20, 16, 14
_LABEL = 42
# Maximum characters of a cell per hundredth of the page width, so that a row fits on one page. The rest continues in a new row.
_ROOM = 18

# Missing glyphs are stated in the report itself.
logging.getLogger("fpdf").setLevel(logging.ERROR)
logging.getLogger("fontTools").setLevel(logging.ERROR)


class _Paper(FPDF):
    """A4 pages with their number at the foot."""

    def __init__(self, title: str, made_at: datetime, alias: str) -> None:
        super().__init__(format="A4")
        self.title_said = title
        self.alias_nb_pages(alias)
        self.set_margins(_SIDE, _MARGIN, _SIDE)
        self.set_auto_page_break(True, _MARGIN)
        self.add_font(_FONT, "", _FONTS / "DejaVuSans.ttf")
        self.add_font(_FONT, "B", _FONTS / "DejaVuSans-Bold.ttf")
        self.set_title(title)
        self.set_lang("en")
        self.set_creation_date(made_at)

    def footer(self) -> None:
        """Writes the title and the page number."""
        self.set_y(-_FOOT - 4)
        self.set_font(_FONT, "", 8)
        self.cell(0, 4, f"{self.title_said}, page {self.page_no()} of {self.str_alias_nb_pages}")

    def write_lines(self, text: str, size: float, *, bold: bool = False, indent: float = 0) -> None:
        """Writes text with line and page breaks."""
        self.set_font(_FONT, "B" if bold else "", size)
        self.set_x(self.l_margin + indent)
        self.multi_cell(0, size * 0.48, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def as_pdf(title: str, sections: Sequence[Section], made_at: datetime, shop: Sequence[str] = ()) -> bytes:
    """Returns a report as a PDF.

    Args:
        title: Title, also at the foot of every page.
        sections: Content.
        made_at: Date of creation, with a UTC offset.
        shop: Name of the shop, then lines of its address.
    """
    said = [*shop, *(_clean(text) for text in _texts(title, sections))]
    paper = _Paper(title, made_at, _alias(said))
    paper.add_page()
    for place, line in enumerate(shop):
        paper.write_lines(line, 9, bold=place == 0)
    if shop:
        paper.ln(3)
    paper.write_lines(title, 16, bold=True)
    for section in sections:
        _write(paper, section)
    if lacking := _lacking(paper, said):
        paper.ln(3)
        paper.write_lines(lacking, 8)
    return bytes(paper.output())


def _write(paper: _Paper, section: Section) -> None:
    paper.ln(4)
    # A heading stays with its text.
    if paper.will_page_break(24):
        paper.add_page()
    paper.write_lines(section.title, 11.5, bold=True)
    paper.line(paper.l_margin, paper.y + 0.5, paper.w - paper.r_margin, paper.y + 0.5)
    paper.ln(2)
    for name, text in section.facts:
        _fact(paper, name, _clean(text))
    if section.facts:
        paper.ln(1.5)
    for text in section.paragraphs:
        paper.write_lines(_clean(text), 9)
        paper.ln(1.5)
    for table in section.tables:
        _table(paper, table)


def _fact(paper: _Paper, name: str, text: str) -> None:
    if paper.will_page_break(5):
        paper.add_page()
    top, page = paper.y, paper.page
    paper.set_font(_FONT, "B", 9)
    paper.multi_cell(_LABEL - 2, 9 * 0.48, name, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    below = paper.y
    paper.set_y(top)
    paper.write_lines(text, 9, indent=_LABEL)
    if paper.page == page:
        paper.set_y(max(below, paper.y))
    paper.ln(0.8)


def _table(paper: _Paper, table: Table) -> None:
    # A title stays with its table.
    if paper.will_page_break(34):
        paper.add_page()
    paper.ln(1)
    paper.write_lines(table.title, 9, bold=True)
    paper.ln(0.5)
    paper.set_font(_FONT, "", 7.5)
    flush = tuple("RIGHT" if index in table.numbers else "LEFT" for index in range(len(table.head)))
    with paper.table(
        borders_layout=TableBordersLayout.HORIZONTAL_LINES,
        col_widths=table.widths,
        line_height=3.6,
        padding=(0.6, 1.2),
        text_align=flush,
        v_align="TOP",
    ) as drawn:
        drawn.row(table.head)
        for row in table.rows:
            for part in _fitting([" ".join(_clean(cell).split()) for cell in row], table.widths):
                drawn.row(part)
    paper.ln(2)


def _fitting(cells: Sequence[str], widths: Sequence[int]) -> Iterator[list[str]]:
    """Yields a row in parts that each fit on a page, cut at blanks if possible."""
    left = list(cells)
    while any(left):
        cuts = [_cut(cell, _ROOM * width) for cell, width in zip(left, widths, strict=True)]
        yield [cell[:cut].rstrip() for cell, cut in zip(left, cuts, strict=True)]
        left = [cell[cut:].lstrip() for cell, cut in zip(left, cuts, strict=True)]


def _cut(cell: str, most: int) -> int:
    if len(cell) <= most:
        return len(cell)
    blank = cell.rfind(" ", 1, most + 1)
    return blank if blank > 0 else most


def _clean(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")


def _texts(title: str, sections: Sequence[Section]) -> Iterator[str]:
    yield title
    for section in sections:
        yield section.title
        yield from section.paragraphs
        for fact in section.facts:
            yield from fact
        for table in section.tables:
            yield from (table.title, *table.head)
            for row in table.rows:
                yield from row


def _alias(said: Iterable[str]) -> str:
    """Returns a placeholder for the number of pages that does not occur in the text."""
    alias, whole = "{nb}", "\n".join(said)
    while alias in whole:
        alias = f"{{{alias}}}"
    return alias


def _lacking(paper: _Paper, said: Iterable[str]) -> str:
    """Returns a note on characters missing from the font; empty if there are none."""
    font = paper.fonts[_FONT.lower()]
    known = {ord("\n"), *(font.cmap if isinstance(font, TTFFont) else ())}
    lacking = sorted({ord(char) for text in said for char in text} - known)
    if not lacking:
        return ""
    named = ", ".join(f"U+{code:04X}" for code in lacking[:20]) + (" and others" if len(lacking) > 20 else "")
    return f"The font of this file lacks some characters, shown as empty boxes: {named}. The page to print (text/html) shows them."
