"""Labels for spools: what stands where, and their sheets as SVG. One layout serves the SVG and the PDF."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import segno

from lots.api.pictures.canvas import INK, PAPER, Canvas, readable

# ISO/IEC 18004: four empty modules on every side of a symbol.
QUIET = 4
# Letters of one width, so that a line is as long on every machine as it was reckoned here.
FONT = "DejaVu Sans Mono, Consolas, Menlo, Courier New, monospace"
_LETTER, _WIDE, _PICTURE = 0.602, 1.05, 1.3
_CODE_MOST, _CODE_ROOM, _BODY_MOST, _BODY_LEAST, _STEP, _LEADING = 6.0, 11.0, 2.6, 0.8, 0.1, 1.22
_MARK, _MARK_TEXT = "MEASURE FIRST", 2.7
_MARK_HIGH, _GAP = 4.2, 0.8


@dataclass(frozen=True, slots=True)
class Stock:
    """What labels are printed on, mm: the page, its labels in columns and rows from `top`, and a label's margin and room for the code.

    Args:
        box: side of the square that holds the symbol with its quiet zone.
        margin: of a label, kept free for printers that cannot reach the edge of a page.
    """

    wide: float
    high: float
    columns: int
    rows: int
    label_wide: float
    label_high: float
    top: float
    box: float
    margin: float

    @property
    def per_page(self) -> int:
        """Labels on a page."""
        return self.columns * self.rows

    def pages(self, count: int, first: int) -> int:
        """Pages that so many labels take when the first one goes to place `first`, from 1."""
        return -(-(count + first - 1) // self.per_page)

    def places(self, count: int, first: int, page: int) -> Iterator[tuple[int, float, float]]:
        """Yields index, left and upper edge (mm) of every label on a page, from 1."""
        start = (page - 1) * self.per_page - (first - 1)
        for place in range(self.per_page):
            if 0 <= start + place < count:
                row, column = divmod(place, self.columns)
                yield start + place, column * self.label_wide, self.top + row * self.label_high


# A4 with 3 x 8 labels of 70 x 37 mm, and a label printer's tape.
STOCKS = {
    "sheet": Stock(210, 297, 3, 8, 70, 37, 0.5, 33, 3),
    "single": Stock(62, 29, 1, 1, 62, 29, 0, 27, 1.5),
}


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text: left end and baseline, size and length, all mm from the label's upper left corner."""

    text: str
    x: float
    y: float
    size: float
    long: float
    bold: bool = False
    light: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """What stands where on one label. `mark` is a black bar (x, y, width, height) behind light text, on spools of the sample."""

    lines: tuple[Line, ...]
    mark: tuple[float, float, float, float] | None


@lru_cache(maxsize=2048)
def symbol(address: str) -> tuple[int, tuple[tuple[int, int, int], ...]]:
    """Returns the QR symbol of an address at error level M or better.

    Returns:
        Modules along a side, quiet zone included, and its dark runs as (left, top, length) in modules.

    Reference:
        ISO/IEC 18004.
    """
    made = segno.make_qr(address, error="m")
    runs = []
    for y, row in enumerate(made.matrix_iter(border=QUIET)):
        start = None
        for x, dark in enumerate((*row, 0)):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                runs.append((start, y, x - start))
                start = None
    return int(made.symbol_size(border=QUIET)[0]), tuple(runs)


def length(text: str) -> float:
    """Returns about how long a text is in letters of one width, in units of its size. What stands on another letter takes no room.

    Example:
        >>> round(length("L7-S003"), 3)
        4.214
    """
    return sum(_room(char) for char in text)


def _room(char: str) -> float:
    if unicodedata.category(char) in ("Mn", "Me", "Cf"):
        return 0.0
    if ord(char) >= 0x1F000:
        return _PICTURE
    return _WIDE if unicodedata.east_asian_width(char) in ("W", "F") or ord(char) >= 0x10000 else _LETTER


def layout(label: dict[str, Any], stock: Stock) -> Layout:
    """Returns what stands where: the spool's code as large as it fits, then what it is, all of it inside the label.

    The lot number stands whole, as printed, however long it is; names are cut after two lines.
    """
    left = stock.margin + stock.box
    wide, y = stock.label_wide - stock.margin - left, max(stock.margin, 2.0)
    low = stock.label_high - y
    lines: list[Line] = []
    mark = None
    if label["measure_first"]:
        mark = (left, y, wide, _MARK_HIGH)
        long = length(_MARK) * _MARK_TEXT
        lines.append(Line(_MARK, left + (wide - long) / 2, y + 3.1, _MARK_TEXT, long, bold=True, light=True))
        y += _MARK_HIGH + _GAP
    parts, size = _large(_plain(label["spool_code"]), wide)
    for part in parts:
        lines.append(Line(part, left, y + size * 0.85, size, length(part) * size, bold=True))
        y += size * 1.1
    body, size = _body(label, wide, low - y - _GAP)
    y += _GAP
    for part, bold in body:
        lines.append(Line(part, left, y + size * 0.9, size, length(part) * size, bold=bold))
        y += size * _LEADING
    return Layout(tuple(lines), mark)


def _large(code: str, wide: float) -> tuple[list[str], float]:
    """The code in as many lines as let it be largest, and its size, mm."""
    best: tuple[list[str], float] = ([code], 0.0)
    for count in range(1, 9):
        each = -(-len(code) // count)
        parts = [code[start : start + each] for start in range(0, len(code), each)]
        widest = max(length(part) for part in parts) or _LETTER
        size = min(_CODE_MOST, wide / widest, _CODE_ROOM / (len(parts) * 1.1))
        if size > best[1] + 1e-9:
            best = (parts, size)
    return best


def _body(label: dict[str, Any], wide: float, high: float) -> tuple[list[tuple[str, bool]], float]:
    """The lines below the code, each with whether it is bold, and the largest size at which they fit, mm."""
    further = label["further_lots"]
    named = [label["supplier_lot"], *further]
    texts = [
        (f"{'Lots' if further else 'Lot'} {', '.join(named)}", True, 5 if further else None),
        (label["supplier_name"], False, 2),
        (f"{label['grade_code']} {label['color_name']}", False, 2),
        (f"{label['nominal_diameter_mm']:g} mm, {label['net_mass_g']:g} g net", False, 2),
        (f"Length {label['length_m']:.0f} m", False, 1),
        (f"Received {label['received_at']:%Y-%m-%d}", False, 1),
    ]
    steps = round((_BODY_MOST - _BODY_LEAST) / _STEP)
    for step in range(steps + 1):
        size = _BODY_MOST - step * _STEP
        lines = [(part, bold) for text, bold, most in texts for part in _wrapped(_plain(text), wide / size, most)]
        if len(lines) * size * _LEADING <= high:
            break
    return lines, size


def _wrapped(text: str, room: float, most: int | None) -> list[str]:
    """A text in lines no longer than `room`, broken at blanks where there are any; what is beyond `most` lines is cut with a mark."""
    lines: list[str] = []
    left = text
    while left:
        cut = _fitting(left, room)
        blank = left.rfind(" ", 1, cut + 1) if cut < len(left) else -1
        cut = blank if blank > cut // 2 else cut
        lines.append(left[:cut].strip())
        left = left[cut:].strip()
    if most is not None and len(lines) > most:
        last = lines[most - 1]
        lines = [*lines[: most - 1], last[: _fitting(last, room - _LETTER)] + "…"]
    return lines


def _fitting(text: str, room: float) -> int:
    """How many characters of a text fit, at least one."""
    used = 0.0
    for index, char in enumerate(text):
        used += _room(char)
        if used > room:
            return max(1, index)
    return len(text)


def _plain(text: str) -> str:
    """A text on one line, without what XML cannot hold: paper and picture show the same."""
    return readable(" ".join(text.split()))


def draw(labels: Sequence[dict[str, Any]], stock: Stock, first: int, page: int) -> str:
    """Returns a page of labels as SVG, in millimetres: printed at its own size it fits the stock.

    Args:
        labels: each with the `url` its symbol leads to.
        first: place of the first free label on the first page, from 1.
        page: which page, from 1.
    """
    pages = stock.pages(len(labels), first)
    shown = list(stock.places(len(labels), first, page))
    told = ", ".join(labels[index]["spool_code"] for index, _, _ in shown)
    sheet = _Sheet(stock.wide, stock.high, f"Labels for spools, page {page} of {pages}", f"Labels of {told}.")
    sheet.root.set("width", f"{stock.wide:g}mm")
    sheet.root.set("height", f"{stock.high:g}mm")
    sheet.root.set("font-family", FONT)
    for index, x, y in shown:
        sheet.label(labels[index], stock, x, y)
    return str(sheet)


class _Sheet(Canvas):
    """Paper for labels, in mm."""

    def label(self, label: dict[str, Any], stock: Stock, x: float, y: float) -> None:
        """Draws one label at its upper left corner."""
        modules, runs = symbol(label["url"])
        each = stock.box / modules
        dark = "".join(f"M{left} {top}h{run}v1h-{run}z" for left, top, run in runs)
        corner = f"{x + stock.margin:.4f} {y + (stock.label_high - stock.box) / 2:.4f}"
        self._add("path", d=dark, transform=f"translate({corner}) scale({each:.6f})", shape_rendering="crispEdges")
        placed = layout(label, stock)
        if placed.mark is not None:
            left, top, wide, high = placed.mark
            self.box((x + left, y + top), wide, high, fill=INK, ink=None)
        for line in placed.lines:
            self._add(
                "text",
                line.text,
                x=x + line.x,
                y=y + line.y,
                font_size=line.size,
                font_weight="bold" if line.bold else None,
                fill=PAPER if line.light else INK,
                # However wide the letters of a machine are, the line stays in its label.
                textLength=line.long,
                lengthAdjust="spacingAndGlyphs",
            )
