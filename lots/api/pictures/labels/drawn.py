"""Pages of labels as SVG in millimetres, to be printed at actual size."""

from __future__ import annotations

from collections.abc import Sequence

from lots.api.pictures.canvas import INK, PAPER, Canvas
from lots.api.pictures.labels.layout import FONT, Layout
from lots.api.pictures.labels.stock import Stock
from lots.services.setup.place import Place


def draw(placed: Sequence[tuple[float, float, Layout]], stock: Stock, title: str, says: str) -> str:
    """Returns a page of labels as SVG.

    Args:
        placed: Left and upper edge of each label on the page, mm, and its layout.
        stock: Label stock.
        title, says: Title and description of the picture.
    """
    # The description has spool codes only, so numbers need no format.
    page = _Sheet(stock.wide, stock.high, title, says, Place())
    page.root.set("width", f"{stock.wide:g}mm")
    page.root.set("height", f"{stock.high:g}mm")
    page.root.set("font-family", FONT)
    for x, y, label in placed:
        page.label(label, x, y)
    return str(page)


class _Sheet(Canvas):
    """Paper for labels, in mm."""

    def label(self, label: Layout, x: float, y: float) -> None:
        """Draws one label at its upper left corner."""
        dark = "".join(f"M{left} {top}h{run}v1h-{run}z" for left, top, run in label.symbol.runs)
        corner = f"{x + label.corner[0]:.4f} {y + label.corner[1]:.4f}"
        self._add(
            "path", d=dark, transform=f"translate({corner}) scale({label.module:.6f})", shape_rendering="crispEdges"
        )
        if label.mark is not None:
            left, top, wide, high = label.mark
            self.box((x + left, y + top), wide, high, fill=INK, ink=None)
        for line in label.lines:
            self._add(
                "text",
                line.text,
                x=x + line.x,
                y=y + line.y,
                font_size=line.size,
                font_weight="bold" if line.bold else None,
                fill=PAPER if line.light else INK,
                # The line keeps its length with any font.
                textLength=line.long,
                lengthAdjust="spacingAndGlyphs",
            )
