"""The uncertainty of a length, such as a colour difference. It cannot be negative, and noise across its direction only adds to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

from lots.domain.uncertainty.budget import Uncertainty

_NORMAL = NormalDist()
# Above this many standard uncertainties the noncentral chi-square is replaced by its normal limit about the length less its bias.
_NORMAL_ABOVE = 60.0
# Above this many, a smaller uncertainty never widens the bound.
_SHORT = 8.0
# A length this many standard deviations inside its limit conforms with probability 1.
_CERTAIN = 6.0


@dataclass(frozen=True, slots=True)
class Length:
    """A measured length and its uncertainty.

    The squared measured length over the variance along its direction is noncentral chi-square. The noncentrality is the squared true length
    over the same variance, the degrees of freedom are the directions with uncertainty. An estimated standard uncertainty counts with
    Student's t, as in `Uncertainty.band`.

    Args:
        value: as measured, >= 0.
        along: uncertainty along its own direction.
        directions: total variance over the variance along its own direction, >= 1: 3 for a colour with equal uncertainty in each
            coordinate, 1 for a difference of two diameters.

    Notes:
        Exact where the uncertainty is known and equal in a whole number of directions. Otherwise the first moment is matched (Patnaik 1949,
        Biometrika 36, 202-232, matches two; from memory). The tests simulate the stated risks.

        With an uncertainty larger than the length, a short measured length would become less likely as the uncertainty grows. A coarse
        instrument would then prove more than a fine one. So the length is raised to the point where its bound begins to grow with the
        uncertainty, and no bound is less than the band of the uncertainty. A better instrument never holds more lots, and one too coarse for
        a limit passes nothing.
    """

    value: float
    along: Uncertainty
    directions: float = 1.0

    @property
    def total(self) -> float:
        """The standard uncertainty along its direction."""
        return self.along.total

    @property
    def scatter(self) -> float | None:
        """The standard uncertainty that more repeats reduce, None without any."""
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
        """Returns the guard band below an upper limit with the risk of z."""
        return self.most(z) - self.value

    def most(self, z: float) -> float:
        """Returns the upper confidence bound of the true length, >= value, with the one-sided confidence of z in a normal distribution.

        Example:
            >>> round(Length(0.5, Uncertainty.known(0.1), 3.0).most(1.6449), 3)
            0.647
        """
        band = self.along.band(z)
        if band <= 0:
            return self.value
        width, seen, directions = self._in_uncertainties(z)
        return max(self.value, band, width * _bound(seen, directions, z))

    def least(self, z: float) -> float:
        """Returns the lower confidence bound of the true length, 0..value, with the one-sided confidence of z in a normal distribution.

        Example:
            >>> round(Length(0.5, Uncertainty.known(0.1), 3.0).least(1.6449), 3), Length(0.1, Uncertainty.known(0.1), 3.0).least(1.6449)
            (0.31, 0.0)
        """
        width = self.along.band(z) / z
        if width <= 0 or self.value <= 0:
            return self.value
        return min(self.value, width * _bound(self.value / width, self._directions(width), -z))

    def below(self, limit: float) -> float:
        """Returns the probability that the true length is at most a limit >= 0."""
        if self.along.total == 0:
            return float(self.value <= limit)
        if self.along.z_of(max(0.0, limit - self.value)) > _CERTAIN:
            return 1.0
        inside = limit > self.value
        low, high = 0.0, _CERTAIN
        # Bisection written out, as in `Uncertainty.z_of`; the probabilities need not cross between these ends.
        for _ in range(24):
            z = (low + high) / 2
            further = (
                self._shorter(limit, z) <= _NORMAL.cdf(-z) if inside else self._longer(limit, z) <= _NORMAL.cdf(-z)
            )
            low, high = (z, high) if further else (low, z)
        chance = _NORMAL.cdf((low + high) / 2)
        return chance if inside else 1 - chance

    def _shorter(self, true: float, z: float) -> float:
        """Returns the probability of a measured length as short as this one where the true length is `true`."""
        from scipy.special import chndtr

        width, seen, directions = self._in_uncertainties(z)
        return max(_NORMAL.cdf(-true / width), float(chndtr(seen * seen, directions, (true / width) ** 2)))

    def _longer(self, true: float, z: float) -> float:
        """Returns the probability of a measured length as long as this one where the true length is `true`."""
        from scipy.special import chndtr

        width = self._width(z)
        return 1.0 - float(chndtr((self.value / width) ** 2, self._directions(width), (true / width) ** 2))

    def _in_uncertainties(self, z: float) -> tuple[float, float, float]:
        """Returns the standard uncertainty used as unit, the length in that unit, and the directions."""
        width = self._width(z)
        directions = self._directions(width)
        return width, max(self.value / width, _shortest(round(directions, 1), round(max(z, 0.1), 1))), directions

    def _width(self, z: float) -> float:
        """Returns the standard uncertainty along its direction, widened by Student's t."""
        return self.along.band(z) / z if z > 0 else self.along.total

    def _directions(self, width: float) -> float:
        """Returns the directions for a width that Student's t widened along its own direction only."""
        return 1.0 + (self.directions - 1.0) * (self.along.total / width) ** 2


def _bound(seen: float, directions: float, z: float) -> float:
    """Returns the true length at which one as short as `seen` (z > 0), or as long (z < 0), has the tail probability of z.

    Both lengths are in standard uncertainties.
    """
    if seen > _NORMAL_ABOVE:
        return math.sqrt(seen * seen - (directions - 1)) + z
    from scipy.special import chndtrinc

    found = float(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)))
    return math.sqrt(found) if found > 1e-12 else 0.0


@lru_cache(maxsize=4096)
def _shortest(directions: float, z: float) -> float:
    """Returns the length, in standard uncertainties, whose bound is the largest multiple of it.

    Below that length a bound would grow as the uncertainty shrinks.
    """
    import numpy as np
    from scipy.special import chndtrinc

    low, high = 0.01, _SHORT
    for _ in range(3):
        seen = np.geomspace(low, high, 40)
        multiples = np.sqrt(np.maximum(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)), 0.0)) / seen
        at = int(multiples.argmax())
        low, high = seen[max(at - 1, 0)], seen[min(at + 1, len(seen) - 1)]
    return float(seen[at])
