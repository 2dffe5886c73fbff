"""Run rules of the individuals chart: improbable patterns within the limits."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.control_charts import as_series

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.drift.control_charts import Flags, Series

# Nelson's tests 1 to 8, and rule 4 of the Western Electric handbook, whose other rules are N1, N5 and N6.
RULES: Mapping[str, str] = MappingProxyType(
    {
        "N1": "a point beyond 3 sigma (Nelson rule 1)",
        "N2": "nine points in a row on one side of the centre (Nelson rule 2)",
        "N3": "six points in a row rising or falling (Nelson rule 3)",
        "N4": "fourteen points in a row alternating up and down (Nelson rule 4)",
        "N5": "two of three points in a row beyond 2 sigma on one side (Nelson rule 5)",
        "N6": "four of five points in a row beyond 1 sigma on one side (Nelson rule 6)",
        "N7": "fifteen points in a row within 1 sigma (Nelson rule 7)",
        "N8": "eight points in a row beyond 1 sigma, on both sides (Nelson rule 8)",
        "WE4": "eight points in a row on one side of the centre (Western Electric rule 4)",
    }
)


def rule_name(code: str) -> str:
    """Returns the name of a run rule, without its pattern.

    Example:
        >>> rule_name("N3"), rule_name("WE4")
        ('Nelson rule 3', 'Western Electric rule 4')
    """
    return RULES[code].partition(" (")[2].rstrip(")")


def run_rules(z: Series, side: int) -> dict[str, Flags]:
    """Returns for each rule of a side whether each point completes its pattern; rules in the order of RULES.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.
        side: +1 for patterns above the centre or rising, -1 below or falling, 0 for those without a side (N4, N7, N8).

    Raises:
        ValueError: a value is not finite, or the side is invalid.

    Notes:
        Comparisons are strict: a point on a line is on neither side of it. For k of m points the last one itself is beyond the line; k such
        points among the first m - 1 of a series complete the rule too. A continuing pattern is completed by each further point. All rules
        together have a much higher false alarm rate than the chart alone, so use a few.

    Reference:
        Nelson 1984, Journal of Quality Technology 16(4), 237-239, tests 1 to 8; Western Electric 1956, Statistical Quality Control
        Handbook, zone rules (N1, N5, N6 and WE4).

    Example:
        >>> {rule: marks.tolist() for rule, marks in run_rules([0.2, 2.3, 0.4, 2.5], 1).items() if marks.any()}
        {'N5': [False, False, False, True]}
    """
    import numpy as np

    if side not in (1, -1, 0):
        raise ValueError(f"side must be +1, -1 or 0, got {side!r}")
    x = as_series(z)
    if side:
        # Mirroring makes the patterns of the lower side those of the upper side.
        y = side * x
        above, beyond_1, beyond_2, beyond_3 = (y > line + BINARY_NOISE for line in range(4))
        # A rise is assigned to the later of two points, so the first point has none.
        rising = np.concatenate([[False], np.diff(y) > BINARY_NOISE])[: len(y)]
        return {
            "N1": beyond_3,
            "N2": _in_a_row(9, above),
            "N3": _in_a_row(5, rising),
            "N5": beyond_2 & (_in_last(3, beyond_2) >= 2),
            "N6": beyond_1 & (_in_last(5, beyond_1) >= 4),
            "WE4": _in_a_row(8, above),
        }
    above, below = x > 1 + BINARY_NOISE, x < -1 - BINARY_NOISE
    inside = np.abs(x) < 1 - BINARY_NOISE
    one_side = _in_a_row(8, above) | _in_a_row(8, below)
    return {
        "N4": _in_a_row(12, _turns(x)),
        "N7": _in_a_row(15, inside),
        "N8": _in_a_row(8, above | below) & ~one_side,
    }


def _in_a_row(n: int, flags: Flags) -> Flags:
    """Returns whether each point ends a run of at least `n` set flags."""
    found, long = flags.copy(), 1
    while long < n:
        more = min(long, n - long)
        found[more:] &= found[:-more]
        found[:more] = False
        long += more
    return found


def _in_last(m: int, flags: Flags) -> NDArray[np.int8]:
    """Returns how many of the last `m` flags are set; fewer flags count at the start."""
    import numpy as np

    found = flags.astype(np.int8)
    for back in range(1, m):
        found[back:] += flags[:-back]
    return found


def _turns(x: NDArray[np.float64]) -> Flags:
    """Returns whether the step to each point has the opposite direction of the step before it."""
    import numpy as np

    steps = np.diff(x)
    ways = np.where(np.abs(steps) > BINARY_NOISE, np.sign(steps), 0.0)
    return np.concatenate([[False, False], ways[1:] * ways[:-1] < 0])[: len(x)]
