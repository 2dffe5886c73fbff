"""The uncertainty of a length, such as a colour difference: it cannot be negative, and noise across its direction only adds to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

from lots.domain.statistics.uncertainty import Uncertainty

_NORMAL = NormalDist()
# Beyond so many standard uncertainties the noncentral chi-square is its own limit: a normal distribution about the length less its bias.
_LONG = 60.0
# Below so many, a smaller uncertainty can make the bound wider.
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

        With an uncertainty as large as the limit, a small measured length would be the stranger the larger the uncertainty is. So a bound is the
        widest of all that this uncertainty and smaller ones give: a finer instrument never holds back more.
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
        width = self.along.band(z) / z
        if width <= 0 or self.value <= 0:
            return self.value
        directions = self._directions(width)
        seen = self.value / width
        peak, widest = (0.0, 1.0) if seen >= _SHORT else _widest(directions, z)
        return max(self.value, width * _bound(seen, directions, z) if seen >= peak else widest * self.value)

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
        for _ in range(24):
            z = (low + high) / 2
            further = (
                self._shorter(limit, z) <= _NORMAL.cdf(-z) if inside else self._longer(limit, z) <= _NORMAL.cdf(-z)
            )
            low, high = (z, high) if further else (low, z)
        chance = _NORMAL.cdf((low + high) / 2)
        return chance if inside else 1 - chance

    def _shorter(self, true: float, z: float) -> float:
        """The largest chance of a measured length as short as this one where the true one is `true`, over this uncertainty and smaller ones."""
        import numpy as np
        from scipy.special import chndtr

        width = self.along.band(z) / z if z > 0 else self.along.total
        seen = self.value / width
        by = np.geomspace(max(seen / _SHORT, 1e-3), 1.0, 24) if seen < _SHORT else np.ones(1)
        return float(
            chndtr((self.value / (by * width)) ** 2, self._directions(width), (true / (by * width)) ** 2).max()
        )

    def _longer(self, true: float, z: float) -> float:
        """The chance of a measured length as long as this one where the true one is `true`."""
        from scipy.special import chndtr

        width = self.along.band(z) / z if z > 0 else self.along.total
        return 1.0 - float(chndtr((self.value / width) ** 2, self._directions(width), (true / width) ** 2))

    def _directions(self, width: float) -> float:
        """The directions in units of a width along its own that holds Student's t, which the others do not need."""
        found = 1.0 + (self.directions - 1.0) * (self.along.total / width) ** 2
        # Fewer directions only make a bound wider, and so many different ones are found once.
        return math.floor(found * 100) / 100


def _bound(seen: float, directions: float, z: float) -> float:
    """The true length at which one as short as `seen` (z > 0), or as long (z < 0), has the chance of z; both in standard uncertainties."""
    if seen > _LONG:
        return math.sqrt(seen * seen - (directions - 1)) + z
    from scipy.special import chndtrinc

    found = float(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)))
    return math.sqrt(found) if found > 1e-12 else 0.0


@lru_cache(maxsize=4096)
def _widest(directions: float, z: float) -> tuple[float, float]:
    """The length, in standard uncertainties, whose bound is the largest multiple of it, and that multiple."""
    import numpy as np
    from scipy.special import chndtrinc

    low, high = 0.01, _SHORT
    for _ in range(3):
        seen = np.geomspace(low, high, 40)
        multiples = np.sqrt(np.maximum(chndtrinc(seen * seen, directions, _NORMAL.cdf(-z)), 0.0)) / seen
        at = int(multiples.argmax())
        low, high = seen[max(at - 1, 0)], seen[min(at + 1, len(seen) - 1)]
    return float(seen[at]), float(multiples[at])
