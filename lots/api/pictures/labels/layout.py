"""Layout of one label: symbol, spool code as large as possible, then details of the spool."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lots.api.pictures.canvas import readable
from lots.api.pictures.labels.stock import Stock
from lots.api.pictures.labels.symbols import QUIET, Symbol, fitting
from lots.services.setup.place import Place

# Monospaced letters, so that a line has the computed length on every machine.
FONT = "DejaVu Sans Mono, Consolas, Menlo, Courier New, monospace"
_LETTER, _WIDE, _PICTURE = 0.602, 1.05, 1.3
# Shares of the font size: height above the baseline, and line spacing.
_CODE_ABOVE, _CODE_LEADING, _ABOVE, _LEADING = 0.93, 1.18, 0.93, 1.22
# Sizes of text, mm: 1.8 mm (5 pt) reads at arm's length, 1.5 mm in the hand, and 0.8 mm only close by. Common practice, no source.
_READABLE, _SMALL, _LEAST, _MOST, _STEP = 1.8, 1.5, 0.8, 5.5, 0.1
# Maximum size of text below the code, as a share of its room.
_SHARE = 0.12
_CODE_MOST, _CODE_ROOM, _WORTH = 0.2, 0.36, 1.25
_MARK = "MEASURE FIRST"
_MARK_ROOM, _MARK_LEAST, _MARK_MOST, _MARK_TEXT = 0.13, 2.4, 6.0, 0.64
_GAP = 0.6
# Minimum width of text beside the symbol, mm.
_WORDS = 16.0


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text, with left end, baseline, size and length in mm from the upper left corner of the label."""

    text: str
    x: float
    y: float
    size: float
    long: float
    bold: bool = False
    light: bool = False


@dataclass(frozen=True, slots=True)
class Layout:
    """The layout of one label, mm from its upper left corner.

    Args:
        corner: Upper left corner of the symbol, inside its quiet zone.
        module: Side of a module.
        mark: Black bar (x, y, width, height) behind light text, for spools of the sample.
    """

    symbol: Symbol
    corner: tuple[float, float]
    module: float
    lines: tuple[Line, ...]
    mark: tuple[float, float, float, float] | None


@dataclass(frozen=True, slots=True)
class _Area:
    """The area for text."""

    left: float
    top: float
    wide: float
    high: float


def length(text: str) -> float:
    """Returns the approximate length of a monospaced text, in units of its size. Combining characters have no width.

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


def layout(label: dict[str, Any], stock: Stock, place: Place) -> Layout | None:
    """Returns the layout inside the margins; None if the label is too small for this spool.

    The lot number is never shortened. Names are cut after two lines. If there is little room, length, supplier and date are omitted
    in this order.

    Args:
        label: Label of a spool, with texts for its symbol in `symbol_texts`, the best first.
        stock: Label stock, large enough for code and text.
        place: Date and number format of the site.
    """
    beside = stock.label_wide >= stock.label_high
    across, along = stock.inner if beside else stock.inner[::-1]
    rooms = (min(along, 0.5 * across), min(along, across - _WORDS))
    found = fitting(label["symbol_texts"], rooms, stock.margin)
    if found is None:
        return None
    symbol, side = found
    module = side / symbol.modules
    edge = max(stock.margin, QUIET * module)
    far = edge + side + max(QUIET * module, 1.0)
    if beside:
        corner = (edge, (stock.label_high - side) / 2)
        area = _Area(far, stock.margin, stock.label_wide - stock.margin - far, stock.inner[1])
    else:
        corner = ((stock.label_wide - side) / 2, edge)
        area = _Area(stock.margin, far, stock.inner[0], stock.label_high - stock.margin - far)
    words = _words(label, area, place)
    return None if words is None else Layout(symbol, corner, module, *words)


def _words(
    label: dict[str, Any], area: _Area, place: Place
) -> tuple[tuple[Line, ...], tuple[float, float, float, float] | None] | None:
    """Returns the lines of a label and the bar of its mark; None if they do not fit."""
    lines: list[Line] = []
    mark, y = None, area.top
    if label["measure_first"]:
        high = min(max(_MARK_ROOM * area.high, _MARK_LEAST), _MARK_MOST)
        size = min(_MARK_TEXT * high, area.wide / length(_MARK))
        long = length(_MARK) * size
        mark = (area.left, y, area.wide, high)
        start = area.left + (area.wide - long) / 2
        lines.append(Line(_MARK, start, y + high / 2 + 0.36 * size, size, long, bold=True, light=True))
        y += high + _GAP
    parts, size = _large(_plain(label["spool_code"]), area)
    for part in parts:
        lines.append(Line(part, area.left, y + size * _CODE_ABOVE, size, length(part) * size, bold=True))
        y += size * _CODE_LEADING
    found = _body(label, area.wide, area.top + area.high - y - _GAP, place)
    if found is None:
        return None
    body, size = found
    y += _GAP
    for part, bold in body:
        lines.append(Line(part, area.left, y + size * _ABOVE, size, length(part) * size, bold=bold))
        y += size * _LEADING
    return tuple(lines), mark


def _large(code: str, area: _Area) -> tuple[list[str], float]:
    """Returns the code in the number of lines that gives the largest size, and that size, mm."""
    best: tuple[list[str], float] = ([code], 0.0)
    for count in range(1, 9):
        each = -(-len(code) // count)
        parts = [code[start : start + each] for start in range(0, len(code), each)]
        widest = max(length(part) for part in parts) or _LETTER
        room = _CODE_ROOM * area.high / (len(parts) * _CODE_LEADING)
        size = min(_CODE_MOST * area.high, area.wide / widest, room)
        # More lines only if they make the code clearly larger.
        if size > _WORTH * best[1]:
            best = (parts, size)
    return best


_Text = tuple[str, bool, int | None]


def _texts(label: dict[str, Any], place: Place) -> tuple[list[list[_Text]], list[list[_Text]], list[list[_Text]]]:
    """Returns the texts below the code with weight and maximum lines, for much, little and minimal room."""
    further = label["further_lots"]
    lot: _Text = (
        f"{'Lots' if further else 'Lot'} {', '.join([label['supplier_lot'], *further])}",
        True,
        5 if further else None,
    )
    supplier: _Text = (label["supplier_name"], False, 2)
    grade = f"{label['grade_code']} {label['color_name']}"
    sizes = f"{place.number(label['nominal_diameter_mm'])} mm, {place.number(label['net_mass_g'])} g net"
    long: _Text = (f"Length {place.number(label['length_m'], 0)} m", False, 1)
    came: _Text = (f"Received {place.day(label['received_at'])}", False, 1)
    of_grade: list[_Text] = [(grade, False, 2), (sizes, False, 2)]
    return (
        [[lot, supplier, *of_grade, long, came], [lot, supplier, *of_grade, came], [lot, *of_grade, came]],
        [[lot, *of_grade, came], [lot, *of_grade], [lot, (grade, False, 1), (sizes, False, 1)]],
        [[lot, (grade, False, 1), (sizes, False, 1)], [lot]],
    )


def _body(label: dict[str, Any], wide: float, high: float, place: Place) -> tuple[list[tuple[str, bool]], float] | None:
    """Returns the lines below the code with their weight, and their size, mm; None if the lot number does not fit.

    Prefers as many texts as are readable at arm's length, then smaller text, then the lot number alone.
    """
    most = min(max(_READABLE, _SHARE * high), _MOST)
    whole, fewer, least = _texts(label, place)
    tries = [(texts, (_READABLE, most)) for texts in whole]
    tries += [(texts, (_SMALL, _READABLE)) for texts in fewer]
    tries += [(texts, (_LEAST, _READABLE)) for texts in least]
    return next((found for texts, sizes in tries if (found := _at_size(texts, wide, high, sizes))), None)


def _at_size(
    texts: Sequence[_Text], wide: float, high: float, sizes: tuple[float, float]
) -> tuple[list[tuple[str, bool]], float] | None:
    """Returns the lines of texts at the largest size that fits, and that size."""
    least, most = sizes
    for step in range(round((most - least) / _STEP) + 1):
        size = most - step * _STEP
        if len(texts) * size * _LEADING > high:
            continue
        lines = [(part, bold) for text, bold, top in texts for part in _wrapped(_plain(text), wide / size, top)]
        if len(lines) * size * _LEADING <= high:
            return lines, size
    return None


def _wrapped(text: str, room: float, most: int | None) -> list[str]:
    """Returns a text in lines of at most `room`, broken at blanks if possible, and cut after `most` lines with an ellipsis."""
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
    """Returns the number of characters that fit, at least one."""
    used = 0.0
    for index, char in enumerate(text):
        used += _room(char)
        if used > room:
            return max(1, index)
    return len(text)


def _plain(text: str) -> str:
    """Returns a text on one line without characters invalid in XML, the same for PDF and SVG."""
    return readable(" ".join(text.split()))
