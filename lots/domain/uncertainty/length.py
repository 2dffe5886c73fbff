"""The uncertainty of a length, such as a colour difference: it cannot be negative, and noise across its direction only adds to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

from lots.domain.uncertainty.budget import Uncertainty

_NORMAL = NormalDist()
# Beyond so many standard uncertainties the noncentral chi-square is its own limit: a normal distribution about the length less its bias.
_LONG = 60.0
# Above so many, a smaller uncertainty never makes the bound wider.
_SHORT = 8.0
# A length that many standard deviations inside its limit conforms for certain.
_CERTAIN = 6.0


@dataclass(frozen=True, slots=True)
class Length:
    """A measured length and its uncertainty.

    The square of a measured length, over the variance along its direction, is noncentral chi-square: its noncentrality is the square of the true length, its
    degrees of freedom are the directions in which it is uncertain. A standard uncertainty that is estimated counts with Student's t, as in
    `Uncertainty.band`.

    Args:
        value: as measured, >= 0.
        along: its uncertainty along its own direction.
        directions: the variance in all directions over that along its own, >= 1: 3 for a colour that is as uncertain each way, 1 for a
            difference of two diameters.

    Notes:
        Exact where the uncertainty is known and alike in whole directions, else an approximation by its first moment (Patnaik 1949,
        Biometrika 36, 202-232, does so with two; from memory). The promised risks are simulated in the tests.

        Were the uncertainty larger than the length, a small measured length would be the stranger the larger the uncertainty is, and a coarse
        instrument would prove what a fine one does not. So a length counts as no shorter than where its bound begins to grow with the uncertainty, and no
        bound is less than the band of the uncertainty itself: a finer instrument never holds back more, and one that is too coarse for a
        limit passes nothing.
    """

    value: float
    along: Uncertainty
    directions: float = 1.0

    @property
    def total(self) -> float:
        """Standard uncertainty along its direction."""
        return self.along.total

    @property
    def scatter(self) -> float | None:
        """The part of it that more repeats reduce, None where nothing does."""
        return self.along.scatter

    @property
    def fixed(self) -> Length:
        """The same length with the uncertainty that repeats do not reduce."""
        return replace(self, along=self.along.fixed)

    @property
    def varying(self) -> Uncertainty:
        """The uncertainty along its direction that repeats reduce."""
        return self.along.varying

    def with_more(self, n: int, more: int) -> Length:
        """Returns the same length with more repeats: see `Uncertainty.with_more`."""
        return replace(self, along=self.along.with_more(n, more))

    def guard(self, z: float) -> float:
        """Returns how far below an upper limit it must lie to keep the risk of z."""
        return self.most(z) - self.value

    def most(self, z: float) -> float:
        """Returns the upper confidence bound of the true length, >= value, with the one-sided confidence that z has of a normal distribution.

        Example:
            >>> round(Length(0.5, Uncertainty.known(0.1), 3.0).most(1.6449), 3)
            0.647
        """
        band = self.along.band(z)
        if band <= 0:
            return self.value
        width, seen, directions = self._seen(z)
        return max(self.value, band, width * _bound(seen, directions, z))

    def least(self, z: float) -> float:
        """Returns the lower confidence bound of the true length, 0 <= it <= value, with the one-sided confidence that z has of a normal distribution.

        Example:
            >>> round(Length(0.5, Uncertainty.known(0.1), 3.0).least(1.6449), 3), Length(0.1, Uncertainty.known(0.1), 3.0).least(1.6449)
            (0.31, 0.0)
        """
        width = self.along.band(z) / z
        if width <= 0 or self.value <= 0:
            return self.value
        return min(self.value, width * _bound(self.value / width, self._directions(width), -z))

    def below(self, limit: float) -> float:
        """Returns the confidence that the true length is at most a limit >= 0."""
        if self.along.total == 0:
            return float(self.value <= limit)
        if self.along.z_of(max(0.0, limit - self.value)) > _CERTAIN:
            return 1.0
        inside = limit > self.value
        low, high = 0.0, _CERTAIN
        # By hand, as in `Uncertainty.z_of`; and the chances need not cross between these ends.
        for _ in range(24):
            z = (low + high) / 2
            further = (
                self._shorter(limit, z) <= _NORMAL.cdf(-z) if inside else self._longer(limit, z) <= _NORMAL.cdf(-z)
            )
            low, high = (z, high) if further else (low, z)
        chance = _NORMAL.cdf((low + high) / 2)
        return chance if inside else 1 - chance

    def _shorter(self, true: float, z: float) -> float:
        """The chance of a measured length as short as this one where the true one is `true`."""
        from scipy.special import chndtr

        width, seen, directions = self._seen(z)
        return max(_NORMAL.cdf(-true / width), float(chndtr(seen * seen, directions, (true / width) ** 2)))

    def _longer(self, true: float, z: float) -> float:
        """The chance of a measured length as long as this one where the true one is `true`."""
        from scipy.special import chndtr

        width = self._width(z)
        return 1.0 - float(chndtr((self.value / width) ** 2, self._directions(width), (true / width) ** 2))

    def _seen(self, z: float) -> tuple[float, float, float]:
        """What the length is measured in, the length in it as it counts, and the directions."""
        width = self._width(z)
        directions = self._directions(width)
        return width, max(self.value / width, _shortest(round(directions, 1), round(max(z, 0.1), 1))), directions

    def _width(self, z: float) -> float:
        """A standard uncertainty along its direction that holds Student's t."""
        return self.along.band(z) / z if z > 0 else self.along.total

    def _directions(self, width: float) -> float:
        """The directions in units of a width along its own that holds Student's t, which the others do not need."""
        return 1.0 + (self.directions - 1.0) * (self.along.total / width) ** 2


def _bound(seen: float, directions: float, z: float) -> float:
    """The true length at which one as short as `seen` (z > 0), or as long (z < 0), has the chance of z; both in standard uncertainties."""
    if seen > _LONG:
        return math.sqrt(seen * seen - (directions - 1)) + z
    from scipy.special import chndtrinc

    found = float(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)))
    return math.sqrt(found) if found > 1e-12 else 0.0


@lru_cache(maxsize=4096)
def _shortest(directions: float, z: float) -> float:
    """The length, in standard uncertainties, whose bound is the largest multiple of it; below it a bound would grow as the uncertainty shrinks."""
    import numpy as np
    from scipy.special import chndtrinc

    low, high = 0.01, _SHORT
    for _ in range(3):
        seen = np.geomspace(low, high, 40)
        multiples = np.sqrt(np.maximum(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)), 0.0)) / seen
        at = int(multiples.argmax())
        low, high = seen[max(at - 1, 0)], seen[min(at + 1, len(seen) - 1)]
    return float(seen[at])
