"""The QR symbol of a label: content, module size and dark runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Literal

import segno

# Empty modules on every side of a symbol (ISO/IEC 18004).
QUIET = 4
# Smallest side of a module for scanners at arm's length and label printers of 203 dpi, mm. Common practice, no source.
LEAST_MODULE = 0.33
# Largest useful side of a module, mm. Larger symbols only take room from text.
MOST_MODULE = 1.0
_NOISE = 1e-6


@dataclass(frozen=True, slots=True)
class Symbol:
    """A QR symbol. `runs` are its dark runs as (left, top, length) in modules, without the quiet zone."""

    text: str
    modules: int
    runs: tuple[tuple[int, int, int], ...]

    def side(self, room: float, margin: float) -> float:
        """Returns the largest side of the symbol without its quiet zone, mm; 0 if its modules would be too small.

        Args:
            room: Room inside the margins of the label, mm.
            margin: Margin of the label, mm. The quiet zone may extend into it.
        """
        quiet_within = (room + 2 * margin) / (self.modules + 2 * QUIET)
        module = min(quiet_within, room / self.modules, MOST_MODULE)
        return self.modules * module if module >= LEAST_MODULE - _NOISE else 0.0


@lru_cache(maxsize=2048)
def symbol(text: str, level: Literal["L", "M"] = "M") -> Symbol | None:
    """Returns the QR symbol of a text at an error correction level or better; None if the text is too long.

    Reference:
        ISO/IEC 18004.
    """
    try:
        made = segno.make_qr(text, error=level)
    except segno.DataOverflowError:
        return None
    runs = []
    for y, row in enumerate(made.matrix):
        start = None
        for x, dark in enumerate((*row, 0)):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                runs.append((start, y, x - start))
                start = None
    return Symbol(text, len(made.matrix), tuple(runs))


def fitting(texts: Iterable[str], rooms: Sequence[float], margin: float) -> tuple[Symbol, float] | None:
    """Returns the symbol of the first text that fits, and its side, mm; None if no text fits.

    Args:
        texts: Address of the spool page, then the spool code.
        rooms: Sides of squares inside the margins, mm, the one with most room for text first.
        margin: Margin of the label, mm.
    """
    levels: tuple[Literal["M", "L"], ...] = ("M", "L")
    for text, level in product(texts, levels):
        made = symbol(text, level)
        sides = [made.side(room, margin) for room in rooms] if made is not None else []
        if made is not None and any(sides):
            return made, next(side for side in sides if side)
    return None
