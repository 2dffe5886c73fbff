"""Run rules: patterns on a chart of single values that chance hardly makes, though no point need be beyond its limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from lots.domain.charts import as_series
from lots.domain.limits import BINARY_NOISE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from lots.domain.charts import Series

    Flags = NDArray[np.bool_]

# Nelson's tests 1 to 8, and the shorter run of the Western Electric handbook, whose other rules are N1, N5 and N6.
RULES: Mapping[str, str] = MappingProxyType(
    {
        "N1": "a point beyond 3 sigma",
        "N2": "nine points in a row on one side of the centre",
        "N3": "six points in a row, each further the same way",
        "N4": "fourteen points in a row, up and down in turn",
        "N5": "two of three points in a row beyond 2 sigma on one side",
        "N6": "four of five points in a row beyond 1 sigma on one side",
        "N7": "fifteen points in a row within 1 sigma",
        "N8": "eight points in a row beyond 1 sigma, some on each side",
        "WE4": "eight points in a row on one side of the centre",
    }
)
_WAY = {"N3": {1: "rising", -1: "falling"}}
_SIDE = {1: "above", -1: "below"}


@dataclass(frozen=True, slots=True)
class RuleSignal:
    """A rule and the point that completes its pattern.

    Args:
        rule: a code of RULES.
        index: of the completing point, 0-based, >= 0.
        side: +1 above the centre or rising, -1 below or falling; 0 for the rules that have no side (N4, N7, N8).

    Raises:
        ValueError: an unknown rule or side, or a negative index.
    """

    rule: str
    index: int
    side: int

    def __post_init__(self) -> None:
        if self.rule not in RULES:
            raise ValueError(f"rule must be one of {', '.join(RULES)}, got {self.rule!r}")
        if self.index < 0 or self.side not in (-1, 0, 1):
            raise ValueError(f"a signal has an index of 0 or more and side -1, 0 or +1, got {self!r}")

    @property
    def says(self) -> str:
        """The rule in words, with its side.

        Example:
            >>> RuleSignal("N3", 5, -1).says
            'six points in a row, each further the same way: falling'
        """
        return RULES[self.rule] + (f": {_WAY.get(self.rule, _SIDE)[self.side]}" if self.side else "")


def run_rules(z: Series) -> tuple[RuleSignal, ...]:
    """Returns every point that completes the pattern of a rule, in order of time and then of RULES.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order; may be empty.

    Raises:
        ValueError: a value is not finite.

    Notes:
        Beyond, within and further are strict: a point on a line is on neither side of it. For k of m points the completing one itself lies
        beyond the line; k such points among the first m - 1 of a series complete the rule too. A pattern that goes on signals at each
        further point. All rules together signal far more often in control than the chart alone: choose a few.

    Reference:
        Nelson 1984, Journal of Quality Technology 16(4), 237-239, tests 1 to 8; Western Electric 1956, Statistical Quality Control
        Handbook, zone rules (N1, N5, N6 and WE4).

    Example:
        >>> run_rules([0.2, 2.3, 0.4, 2.5, 0.1])
        (RuleSignal(rule='N5', index=3, side=1),)
    """
    import numpy as np

    x = as_series(z)
    found = []
    for side in (1, -1):
        # Seen from its own side a low point is a high one, and a fall is a rise.
        y = side * x
        above, beyond_1, beyond_2, beyond_3 = (y > line + BINARY_NOISE for line in range(4))
        # A rise ends at the later of two points, so the first point has none.
        rising = np.concatenate([[False], np.diff(y) > BINARY_NOISE])[: len(y)]
        side_run = _run_length(above)
        patterns = {
            "N1": beyond_3,
            "N2": side_run >= 9,
            "N3": _run_length(rising) >= 5,
            "N5": beyond_2 & (_in_last(3, beyond_2) >= 2),
            "N6": beyond_1 & (_in_last(5, beyond_1) >= 4),
            "WE4": side_run >= 8,
        }
        found += _marked(patterns, side)
    above, below = x > 1 + BINARY_NOISE, x < -1 - BINARY_NOISE
    outside, inside = above | below, np.abs(x) < 1 - BINARY_NOISE
    both_sides = (_in_last(8, above) > 0) & (_in_last(8, below) > 0)
    sideless = {
        "N4": _run_length(_turns(x)) >= 12,
        "N7": _run_length(inside) >= 15,
        "N8": both_sides & (_run_length(outside) >= 8),
    }
    found += _marked(sideless, 0)
    order = {rule: place for place, rule in enumerate(RULES)}
    return tuple(sorted(found, key=lambda signal: (signal.index, order[signal.rule])))


def _marked(patterns: Mapping[str, Flags], side: int) -> list[RuleSignal]:
    """A signal for every point that is marked under a rule."""
    return [RuleSignal(rule, index, side) for rule, marks in patterns.items() for index in marks.nonzero()[0].tolist()]


def _run_length(flags: Flags) -> NDArray[np.int64]:
    """How many flags in a row are set up to and including each point; 0 where it is not set."""
    import numpy as np

    places = np.arange(len(flags))
    last_unset = np.maximum.accumulate(np.where(flags, -1, places))
    return places - last_unset


def _in_last(m: int, flags: Flags) -> NDArray[np.int64]:
    """How many of the last `m` flags are set, fewer flags counting at the start."""
    import numpy as np

    total = np.concatenate([[0], np.cumsum(flags)])
    ends = np.arange(1, len(flags) + 1)
    return np.asarray(total[ends] - total[np.maximum(ends - m, 0)])


def _turns(x: NDArray[np.float64]) -> Flags:
    """Whether the step that ends at each point goes the other way than the step before it."""
    import numpy as np

    steps = np.diff(x)
    ways = np.where(np.abs(steps) > BINARY_NOISE, np.sign(steps), 0.0)
    return np.concatenate([[False, False], ways[1:] * ways[:-1] < 0])[: len(x)]
