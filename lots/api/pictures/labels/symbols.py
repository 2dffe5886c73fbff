"""The QR symbol of a label: what it holds, how large its modules are, and its dark runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Literal

import segno

# Empty modules on every side of a symbol (ISO/IEC 18004).
QUIET = 4
# The smallest side of a module that a scanner at arm's length and a label printer of 203 dots to the inch both manage, mm. Common practice, no source.
LEAST_MODULE = 0.33
# Larger symbols are read no better at arm's length, and leave less room for words, mm.
MOST_MODULE = 1.0
_NOISE = 1e-6


@dataclass(frozen=True, slots=True)
class Symbol:
    """A QR symbol. `runs` are its dark runs as (left, top, length) in modules, from the corner of the symbol without its quiet zone."""

    text: str
    modules: int
    runs: tuple[tuple[int, int, int], ...]

    def side(self, room: float, margin: float) -> float:
        """Returns the side that the symbol takes without its quiet zone, as large as it fits, mm; 0 where its modules would be too small.

        Args:
            room: inside the margins of the label.
            margin: of the label; it is free of print, so the quiet zone may lie in it.
        """
        quiet_within = (room + 2 * margin) / (self.modules + 2 * QUIET)
        module = min(quiet_within, room / self.modules, MOST_MODULE)
        return self.modules * module if module >= LEAST_MODULE - _NOISE else 0.0


@lru_cache(maxsize=2048)
def symbol(text: str, level: Literal["L", "M"] = "M") -> Symbol | None:
    """Returns the QR symbol of a text at an error level or better; None where no symbol holds so much.

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
    """Returns the symbol of the first text that fits, and its side, mm; None where none does.

    Args:
        texts: the address of the spool's page, then its code, which a scanner types.
        rooms: sides of squares inside the margins of the label, mm, the one that leaves most to words first.
        margin: of the label, mm.
    """
    levels: tuple[Literal["M", "L"], ...] = ("M", "L")
    for text, level in product(texts, levels):
        made = symbol(text, level)
        sides = [made.side(room, margin) for room in rooms] if made is not None else []
        if made is not None and any(sides):
            return made, next(side for side in sides if side)
    return None
