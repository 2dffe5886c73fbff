"""Canvas with shared parts of pictures: outlines, hatching, axes and wrapped text."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lots.api.http.site_address import place_here
from lots.api.pictures.canvas import INK, Canvas, Point, Scale
from lots.services.setup.place import Place

# SOFT is readable on white (contrast above 5 : 1), PALE is for areas behind ink.
SOFT, PALE = "#666666", "#e4e4e4"
# Approximate letter width as a share of the font size.
_LETTER = 0.54


@dataclass(frozen=True, slots=True)
class Look:
    """Width of a picture, margins of its fields, pixels, and number format."""

    width: float = 960.0
    left: float = 86.0
    right: float = 150.0
    place: Place | None = None

    @property
    def narrow(self) -> bool:
        """True for narrow pictures, such as on a phone."""
        return self.width < 600

    @property
    def inner(self) -> float:
        """Width of text between the margins."""
        return self.width - (24 if self.narrow else 48)

    @property
    def margin(self) -> float:
        """Left margin of text."""
        return 12.0 if self.narrow else 24.0

    @property
    def end(self) -> float:
        """Right edge of a field."""
        return self.width - self.right

    def at(self, place: Place) -> Look:
        """Returns this look with the number format of a site."""
        return replace(self, place=place)

    def spots(self, across: Sequence[float], top: float) -> list[Point]:
        """Returns the positions of legend entries: in a row, or in a column in a narrow picture."""
        if self.narrow:
            return [(across[0], top + 20 * row) for row in range(len(across))]
        return [(x, top) for x in across]

    def key_height(self, parts: int) -> float:
        """Returns the additional height of a legend in a column."""
        return 20.0 * (parts - 1) if self.narrow else 0.0


WIDE, NARROW = Look(), Look(360.0, 50.0, 96.0)


class Sheet(Canvas):
    """A canvas for pictures of lots."""

    def lines(self, at: Point, rows: Sequence[str], *, size: float = 13, ink: str = INK) -> None:
        """Draws lines of text, as returned by `wrapped`, from `at` downwards."""
        for number, words in enumerate(rows):
            self.text((at[0], at[1] + number * leading(size)), words, size=size, ink=ink, verbatim=True)

    def outline(self, points: Sequence[Point], *, wide: float = 1, dash: str | None = None, ink: str = INK) -> None:
        """Draws a closed line through points."""
        self.path([*points, points[0]], wide=wide, dash=dash, ink=ink)

    def ellipse(self, middle: Point, across: float, down: float, *, wide: float = 1, dash: str | None = None) -> None:
        """Draws the outline of an ellipse with these semi-axes."""
        turns = [math.radians(5 * step) for step in range(72)]
        around = [(middle[0] + across * math.cos(turn), middle[1] + down * math.sin(turn)) for turn in turns]
        self.outline(around, wide=wide, dash=dash)

    def hatched(self, corner: Point, width: float, height: float, *, apart: float = 6) -> None:
        """Draws a hatched rectangle, distinct from a plain one without colour."""
        x, y = corner
        for step in range(1, math.ceil((width + height) / apart)):
            along = step * apart
            # From the left or lower edge up to the upper or right one, at 45 degrees.
            start = (x, y + along) if along <= height else (x + along - height, y + height)
            end = (x + along, y) if along <= width else (x + width, y + along - width)
            self.line(start, end, ink=SOFT)
        self.box(corner, width, height)

    def bar_of_doubt(self, low: Point, high: Point, *, wide: float = 1.5, dash: str | None = None) -> None:
        """Draws an interval: a line with caps at both ends."""
        self.line(low, high, wide=wide, dash=dash)
        upright = low[0] == high[0]
        for x, y in (low, high):
            ends = ((x - 5, y), (x + 5, y)) if upright else ((x, y - 5), (x, y + 5))
            self.line(*ends, wide=wide)

    def ruler(self, scale: Scale, at: float, *, upright: bool = False, about: int = 5, unit: str = "") -> None:
        """Draws an axis with round ticks, vertical at the left of a field or horizontal below it."""
        ends = ((at, scale.start), (at, scale.end)) if upright else ((scale.start, at), (scale.end, at))
        self.line(*ends)
        for tick in scale.ticks(about):
            place = scale(tick)
            if upright:
                self.line((at - 4, place), (at, place))
                self.text((at - 8, place + 4), f"{tick:g}{unit}", size=12, anchor="end")
            else:
                self.line((place, at), (place, at + 4))
                self.text((place, at + 17), f"{tick:g}{unit}", size=12, anchor="middle")


def short(words: str, most: int) -> str:
    """Returns a text cut to a length, with an ellipsis.

    Example:
        >>> short("Quillwort and Sons", 10)
        'Quillwort…'
    """
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def wrapped(words: str, width: float, size: float = 13, *, verbatim: bool = False) -> list[str]:
    """Returns a text as lines that fit a width in pixels, by an estimated letter width.

    Numbers have the format of the site. `verbatim` keeps names unchanged.
    """
    return textwrap.wrap(words if verbatim else place_here().prose(words), max(10, int(width / (_LETTER * size)))) or [
        ""
    ]


def text_width(words: str, size: float) -> float:
    """Returns the approximate width of a text, pixels."""
    return _LETTER * size * len(words)


def leading(size: float) -> float:
    """Returns the line spacing, pixels."""
    return 1.4 * size
