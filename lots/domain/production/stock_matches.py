"""Pairwise colour match of the lots in stock, for as many lots as a request can compare."""

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

# Most lots and colours compared pairwise; those with the most filament are kept.
MOST_LOTS = 1_000
MOST_COLORS = 2_000
# A difference this close to a limit is compared by the limit itself.
_CLOSE = 1e-6


def compared(lots: Sequence[StockLot]) -> list[StockLot]:
    """Returns the lots to compare: all, or those that hold the most, up to `MOST_LOTS` and `MOST_COLORS`."""
    kept: list[StockLot] = []
    colors = 0
    for lot in sorted(lots, key=lambda lot: (-lot.mass_ug, lot.id)):
        colors += max(1, len(lot.colors))
        if len(kept) == MOST_LOTS or colors > MOST_COLORS:
            break
        kept.append(lot)
    return kept


def central_first(lots: Sequence[StockLot], limits: ColorLimits) -> list[StockLot]:
    """Returns lots nearest the mean colour first, unmeasured ones last. The pick does not depend on the order; this order finds it fastest."""
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
    """Returns the largest colour difference of every two lots, over both directions and all their spools; infinite for unmeasured lots."""
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
    """Returns for each lot the lots it matches, one bit per lot: all others without a match limit."""
    if apart is None or match_max is None:
        return [((1 << count) - 1) & ~(1 << i) for i in range(count)]
    return [close & ~(1 << i) for i, close in enumerate(within(apart, match_max))]


def within(apart: Array, match_max: float) -> list[int]:
    """Returns for each row of a square of differences the columns that a limit allows, one bit per column.

    Example:
        >>> import numpy as np
        >>> within(np.array([[0.0, 0.5], [0.5, 0.0]]), 0.5), within(np.array([[0.0, 0.6], [0.6, 0.0]]), 0.5)
        ([3, 3], [1, 2])
    """
    import numpy as np

    # `Limit` alone decides. It allows all differences up to some value, so a bisection of those close to the limit is enough.
    most = Limit(None, match_max)
    doubtful = np.unique(apart[np.abs(apart - match_max) < _CLOSE]).tolist()
    allowed = bisect_left(doubtful, True, key=lambda difference: not most.allows(difference))
    close = apart <= (doubtful[allowed - 1] if allowed else match_max - _CLOSE)
    return [int.from_bytes(row.tobytes(), "little") for row in np.packbits(close, axis=1, bitorder="little")]
