"""Which lots of a stock match each other: every pair compared, as many lots as a request can compare."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from typing import TYPE_CHECKING

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.colorimetry.color_difference import delta_e_among, delta_e_to_each
from lots.domain.colorimetry.color_values import mean_lab
from lots.domain.conformity.limits import Limit
from lots.domain.production.stock import StockLot

if TYPE_CHECKING:
    from lots.domain.colorimetry.color_difference import Array

# Lots and colours that are compared, each with each: the lots that hold the most.
MOST_LOTS = 1_000
MOST_COLORS = 2_000
# A difference this close to a limit is compared with it by the limit itself.
_CLOSE = 1e-6


def compared(lots: Sequence[StockLot]) -> list[StockLot]:
    """The lots to choose from: all, or those that hold the most while they are no more than can be compared within a request."""
    kept: list[StockLot] = []
    colors = 0
    for lot in sorted(lots, key=lambda lot: (-lot.mass_ug, lot.id)):
        colors += max(1, len(lot.colors))
        if len(kept) == MOST_LOTS or colors > MOST_COLORS:
            break
        kept.append(lot)
    return kept


def central_first(lots: Sequence[StockLot], limits: ColorLimits) -> list[StockLot]:
    """Lots nearest the mean colour first, unmeasured ones last. Any order gives the same pick; this one finds it soonest."""
    measured = {lot.id: lot.lab for lot in lots if lot.lab is not None}
    away: dict[int, float] = {}
    if measured:
        colors = list(measured.values())
        rows = [lab.as_list() for lab in colors]
        away = dict(
            zip(
                measured,
                delta_e_to_each(mean_lab(colors), rows, limits.formula, limits.weights).tolist(),
                strict=True,
            )
        )
    return sorted(lots, key=lambda lot: (away.get(lot.id, math.inf), -lot.mass_ug, lot.id))


def differences(lots: Sequence[StockLot], limits: ColorLimits) -> Array:
    """The colour difference of every two lots, the larger of both ways, and the largest of their spools'; infinite for unmeasured ones."""
    import numpy as np

    measured = [(i, lot.colors or ((lot.lab, 0.0),)) for i, lot in enumerate(lots) if lot.lab is not None]
    found = np.full((len(lots), len(lots)), np.inf)
    if not measured:
        return found
    colors = [color for _, some in measured for color, _ in some]
    apart = delta_e_among(colors, limits.formula, limits.weights)
    larger = np.maximum(apart, apart.T)
    if len(colors) > len(measured) or any(part for _, some in measured for _, part in some):
        parts = np.array([part for _, some in measured for _, part in some]) ** 2
        larger = np.sqrt(larger**2 + parts[:, None] + parts[None, :])
        starts = np.cumsum([0, *(len(some) for _, some in measured)])[:-1]
        larger = np.maximum.reduceat(np.maximum.reduceat(larger, starts, axis=0), starts, axis=1)
    places = [i for i, _ in measured]
    found[np.ix_(places, places)] = larger
    return found


def near(count: int, apart: Array | None, match_max: float | None) -> list[int]:
    """For each lot the lots it matches, one bit per lot: all others where no match is asked."""
    if apart is None or match_max is None:
        return [((1 << count) - 1) & ~(1 << i) for i in range(count)]
    return [close & ~(1 << i) for i, close in enumerate(within(apart, match_max))]


def within(apart: Array, match_max: float) -> list[int]:
    """Returns for each row of a square of differences which of them a limit allows, one bit for each column.

    Example:
        >>> import numpy as np
        >>> within(np.array([[0.0, 0.5], [0.5, 0.0]]), 0.5), within(np.array([[0.0, 0.6], [0.6, 0.0]]), 0.5)
        ([3, 3], [1, 2])
    """
    import numpy as np

    # One place decides what a limit allows. It allows all up to some difference, so it is asked only about few of those close to it.
    most = Limit(None, match_max)
    doubtful = np.unique(apart[np.abs(apart - match_max) < _CLOSE]).tolist()
    allowed = bisect_left(doubtful, True, key=lambda difference: not most.allows(difference))
    close = apart <= (doubtful[allowed - 1] if allowed else match_max - _CLOSE)
    return [int.from_bytes(row.tobytes(), "little") for row in np.packbits(close, axis=1, bitorder="little")]
