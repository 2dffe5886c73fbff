"""Labels as a PDF. Imported only on request, since its library comes with the extra `pdf`."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Literal, TypeAlias

from fontTools.ttLib import TTFont
from fpdf import FPDF

from lots.api.pictures.labels.layout import Layout, Line
from lots.api.pictures.labels.stock import Stock

_FONT, _FONTS = "DejaVu", Path(__file__).parents[1] / "fonts"
_FILES: dict[Literal["", "B"], Path] = {"": _FONTS / "DejaVuSans.ttf", "B": _FONTS / "DejaVuSans-Bold.ttf"}
# Points in a millimetre.
_POINTS = 72 / 25.4

# Suppresses messages on font subsetting. Missing characters are refused before.
logging.getLogger("fpdf").setLevel(logging.ERROR)
logging.getLogger("fontTools").setLevel(logging.ERROR)


def _paper(stock: Stock) -> FPDF:
    paper = FPDF(format=(stock.wide, stock.high))
    paper.set_margin(0)
    paper.set_auto_page_break(False)
    for style, path in _FILES.items():
        paper.add_font(_FONT, style, path)
    paper.set_title("Labels for spools")
    paper.set_lang("en")
    return paper


# Labels of a page: left and upper edge, mm, and layout.
Placed: TypeAlias = Sequence[tuple[float, float, Layout]]


def lacking(pages: Sequence[Placed]) -> list[str]:
    """Returns the characters on these labels that the font of the PDF does not have, in order."""
    said = {char for page in pages for _, _, label in page for line in label.lines for char in line.text}
    return sorted(char for char in said if ord(char) not in _known())


@cache
def _known() -> frozenset[int]:
    """Returns the characters that both weights of the font have."""
    found = []
    for path in _FILES.values():
        with TTFont(path) as font:
            found.append(set(font.getBestCmap()))
    return frozenset(set.intersection(*found))


def as_pdf(pages: Sequence[Placed], stock: Stock) -> bytes:
    """Returns all pages of labels, laid out as in the SVG.

    Args:
        pages: One or more pages.
        stock: Label stock.
    """
    paper = _paper(stock)
    for page in pages:
        paper.add_page()
        for x, y, label in page:
            _label(paper, label, x, y)
    return bytes(paper.output())


def _label(paper: FPDF, label: Layout, x: float, y: float) -> None:
    each, left, top = label.module, x + label.corner[0], y + label.corner[1]
    paper.set_fill_color(0)
    for column, row, run in label.symbol.runs:
        paper.rect(left + column * each, top + row * each, run * each, each, style="F")
    if label.mark is not None:
        from_left, from_top, wide, high = label.mark
        paper.rect(x + from_left, y + from_top, wide, high, style="F")
    for line in label.lines:
        _write(paper, line, x, y)


def _write(paper: FPDF, line: Line, x: float, y: float) -> None:
    paper.set_font(_FONT, "B" if line.bold else "", line.size * _POINTS)
    long = paper.get_string_width(line.text)
    if long > line.long:
        # The font is proportional. A line wider than computed is set smaller.
        paper.set_font_size(line.size * _POINTS * line.long / long)
    paper.set_text_color(255 if line.light else 0)
    paper.text(x + line.x, y + line.y, line.text)
