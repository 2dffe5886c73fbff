"""Offsets between two instruments from an agreement study."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lots.domain.statistics.summaries import Vector


@dataclass(frozen=True, slots=True)
class Bridge:
    """The offset between two instruments on the same samples.

    Args:
        first, second: codes of the instruments.
        bias: reading of the second minus that of the first, per coordinate, in the unit of the readings.
        uncertainty: standard uncertainty of that difference for one sample, per coordinate, >= 0.
        study: number of the agreement study.
    """

    first: str
    second: str
    bias: Vector
    uncertainty: Vector
    study: int

    @classmethod
    def of(
        cls, first: str, second: str, study: int, offsets: Sequence[tuple[float, float | None, int]], least: int
    ) -> Bridge | None:
        """Returns the bridge from the offsets of an agreement study, None with too few samples.

        Args:
            first, second, study: the instruments and the study.
            offsets: per coordinate: mean difference, its standard deviation over samples, number of samples.
            least: fewest samples.

        Notes:
            The difference on another sample has the standard deviation s (limits of agreement), and the mean of n samples s / sqrt(n).
            Together they give s sqrt(1 + 1 / n).

        Reference:
            Bland and Altman 1986, Lancet 327, 307-310 (bias and limits of agreement; from memory).

        Example:
            >>> found = Bridge.of("C-1", "C-2", 4, [(0.75, 0.1, 4)], 3)
            >>> found.bias, [round(u, 3) for u in found.uncertainty]
            ((0.75,), [0.112])
        """
        if any(sd is None or n < least for _, sd, n in offsets):
            return None
        u = tuple((sd or 0.0) * math.sqrt(1 + 1 / n) for _, sd, n in offsets)
        return cls(first, second, tuple(mean for mean, _, _ in offsets), u, study)

    def shift(self, to: str) -> Vector:
        """Returns the correction to a reading of the other instrument for comparison with `to`."""
        sign = -1 if to == self.first else 1
        return tuple(sign * part for part in self.bias)


# By the codes of both instruments.
Bridges = Mapping[frozenset[str], Bridge]
