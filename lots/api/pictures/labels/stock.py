"""Label stock: an A4 sheet of labels, or a roll with one label per page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lots.services.setup.shop import SHEET_MM, Details

# Minimum area inside the margins for code and text, mm, in either orientation. Common practice, no source.
SMALLEST = (36.0, 16.0)
# Tolerance for rounding errors in comparisons, mm.
_NOISE = 1e-6


@dataclass(frozen=True, slots=True)
class Stock:
    """A page and its labels, mm.

    Args:
        wide, high: Size of the page.
        columns, rows: Numbers of labels on a page, 0 if none fits.
        label_wide, label_high: Size of one label.
        left, top: Distance from the edge of the page to the first label.
        margin: Unprinted margin at each edge of a label.
    """

    wide: float
    high: float
    columns: int
    rows: int
    label_wide: float
    label_high: float
    left: float
    top: float
    margin: float

    @property
    def per_page(self) -> int:
        """Labels on a page."""
        return self.columns * self.rows

    @property
    def inner(self) -> tuple[float, float]:
        """Width and height inside the margins of a label."""
        return self.label_wide - 2 * self.margin, self.label_high - 2 * self.margin

    @property
    def too_small(self) -> str:
        """Reason why labels of this size cannot be printed; "" if they can.

        Example:
            >>> from lots.services.setup.shop import Details
            >>> roll(Details(label_width_mm=40.0, label_height_mm=20.0)).too_small
            ''
        """
        long, short = max(self.inner), min(self.inner)
        if long >= SMALLEST[0] - _NOISE and short >= SMALLEST[1] - _NOISE:
            return ""
        least = " x ".join(f"{side + 2 * self.margin:g}" for side in SMALLEST)
        return (
            f"A label of {self.label_wide:g} x {self.label_high:g} mm is too small for code and text. "
            f"With margins of {self.margin:g} mm the smallest label is {least} mm."
        )

    def pages(self, count: int, first: int) -> int:
        """Returns the number of pages for `count` labels from position `first`, counted from 1."""
        return -(-(count + first - 1) // self.per_page)

    def places(self, count: int, first: int, page: int) -> Iterator[tuple[int, float, float]]:
        """Yields index, left and upper edge (mm) of every label on a page, counted from 1."""
        start = (page - 1) * self.per_page - (first - 1)
        for place in range(self.per_page):
            if 0 <= start + place < count:
                row, column = divmod(place, self.columns)
                yield start + place, self.left + column * self.label_wide, self.top + row * self.label_high


def sheet(details: Details) -> Stock:
    """Returns an A4 sheet of the shop's labels."""
    return Stock(
        *SHEET_MM,
        details.columns,
        details.rows,
        details.label_width_mm,
        details.label_height_mm,
        details.sheet_left_mm,
        details.sheet_top_mm,
        details.label_margin_mm,
    )


def roll(details: Details) -> Stock:
    """Returns a roll of the shop's labels, with one label per page."""
    wide, high = details.label_width_mm, details.label_height_mm
    return Stock(wide, high, 1, 1, wide, high, 0.0, 0.0, details.label_margin_mm)
