"""SVG canvas with title, description and valid XML text, and scales with round ticks."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from xml.etree import ElementTree

from lots.api.http.site_address import place_here
from lots.services.setup.place import Place

INK, FAINT, PAPER = "#1a1a1a", "#8a8a8a", "#ffffff"
FONT = "system-ui, sans-serif"
Point = tuple[float, float]
# Characters not permitted in XML 1.0, section 2.2. The checks on text let U+FFFE and U+FFFF pass.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class Canvas:
    """An SVG picture of a fixed size in pixels.

    Title and description have unique ids, derived from their text and the width, so that one page can hold several pictures.

    Args:
        place: Number and date format, that of the site if None.
    """

    def __init__(self, width: float, height: float, title: str, description: str, place: Place | None = None) -> None:
        self.width, self.height = width, height
        self.place = place or place_here()
        told = {"title": readable(self.place.prose(title)), "desc": readable(self.place.prose(description))}
        mark = sha256("\0".join([*told.values(), f"{width:g}"]).encode()).hexdigest()[:12]
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "width": f"{width:g}",
                "height": f"{height:g}",
                "viewBox": f"0 0 {width:g} {height:g}",
                "role": "img",
                "aria-labelledby": f"title-{mark} desc-{mark}",
                "font-family": FONT,
            },
        )
        for tag, words in told.items():
            ElementTree.SubElement(self.root, tag, {"id": f"{tag}-{mark}"}).text = words
        self._add("rect", width=width, height=height, fill=PAPER)

    def _add(self, tag: str, text: str | None = None, **attributes: object) -> None:
        named = {name.replace("_", "-"): _written(value) for name, value in attributes.items() if value is not None}
        ElementTree.SubElement(self.root, tag, named).text = None if text is None else readable(text)

    def line(self, one: Point, other: Point, *, ink: str = INK, wide: float = 1, dash: str | None = None) -> None:
        """Draws a straight line."""
        self._add(
            "line", x1=one[0], y1=one[1], x2=other[0], y2=other[1], stroke=ink, stroke_width=wide, stroke_dasharray=dash
        )

    def path(self, points: Sequence[Point], *, ink: str = INK, wide: float = 1, dash: str | None = None) -> None:
        """Draws a line through points."""
        through = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        self._add("polyline", points=through, fill="none", stroke=ink, stroke_width=wide, stroke_dasharray=dash)

    def area(self, points: Sequence[Point], *, fill: str) -> None:
        """Draws a filled polygon."""
        self._add("polygon", points=" ".join(f"{x:.2f},{y:.2f}" for x, y in points), fill=fill, stroke="none")

    def dot(self, at: Point, radius: float = 4, *, fill: str = INK, ink: str = INK, wide: float = 1) -> None:
        """Draws a round mark, open if `fill` is "none"."""
        self._add("circle", cx=at[0], cy=at[1], r=radius, fill=fill, stroke=ink, stroke_width=wide)

    def cross(self, at: Point, size: float = 5, *, wide: float = 2) -> None:
        """Draws a cross, distinct from a dot without colour."""
        x, y = at
        self.line((x - size, y - size), (x + size, y + size), wide=wide)
        self.line((x - size, y + size), (x + size, y - size), wide=wide)

    def triangle(self, at: Point, size: float = 6) -> None:
        """Draws a triangle pointing up."""
        x, y = at
        self.area([(x, y - size), (x - size, y + size), (x + size, y + size)], fill=INK)

    def box(self, corner: Point, width: float, height: float, *, fill: str = "none", ink: str | None = INK) -> None:
        """Draws a rectangle."""
        self._add("rect", x=corner[0], y=corner[1], width=width, height=height, fill=fill, stroke=ink)

    def text(
        self,
        at: Point,
        words: str,
        *,
        size: float = 13,
        anchor: str = "start",
        bold: bool = False,
        ink: str = INK,
        turn: float = 0,
        verbatim: bool = False,
    ) -> None:
        """Draws a line of text with the number format of the site. `verbatim` keeps names unchanged."""
        turned = f"rotate({turn:g} {at[0]:.2f} {at[1]:.2f})" if turn else None
        self._add(
            "text",
            words if verbatim else self.place.prose(words),
            x=at[0],
            y=at[1],
            font_size=size,
            text_anchor=anchor,
            font_weight="bold" if bold else None,
            fill=ink,
            transform=turned,
        )

    def __str__(self) -> str:
        return ElementTree.tostring(self.root, encoding="unicode")


def readable(words: str) -> str:
    """Returns text with characters invalid in XML replaced by U+FFFD."""
    return _NOT_XML.sub("\ufffd", words)


def _written(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear scale from values to pixels: `low` is at `start`, `high` at `end`."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Returns the pixel of a value."""
        share = (value - self.low) / (self.high - self.low) if self.high > self.low else 0.5
        return self.start + share * (self.end - self.start)

    @classmethod
    def around(cls, values: Iterable[float], start: float, end: float, margin: float = 0.08) -> Scale:
        """Returns a scale for all values with a margin."""
        known = list(values) or [0.0]
        low, high = min(known), max(known)
        room = margin * (high - low) or abs(low) * 0.01 or 1.0
        return cls(low - room, high + room, start, end)

    def ticks(self, about: int = 5) -> list[float]:
        """Returns round tick values along the scale, about `about` of them.

        Example:
            >>> Scale(0.0, 1.0, 0, 100).ticks()
            [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
        """
        raw = (self.high - self.low) / about
        if raw <= 0:
            return [self.low]
        power = 10.0 ** math.floor(math.log10(raw))
        step = next(by * power for by in (1, 2, 5, 10) if by * power >= raw * 0.999)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [round(number * step, 12) + 0.0 for number in range(first, last + 1)]
