"""Uncertainty budgets, and the bands and probabilities that follow from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()
# Largest z that is computed.
_FURTHEST = 38.0


@dataclass(frozen=True, slots=True)
class Contribution:
    """One source of uncertainty.

    Args:
        u: standard uncertainty, >= 0.
        df: degrees of freedom of the estimate, > 0; infinite where it is known, such as an instrument's stated uncertainty.
        source: origin, in words.
        shrinks: True for a part that more repeats reduce.
    """

    u: float
    df: float = math.inf
    source: str = ""
    shrinks: bool = False


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """The uncertainty budget of a value (JCGM 100): independent contributions."""

    contributions: tuple[Contribution, ...]

    @classmethod
    def known(cls, u: float, source: str = "") -> Uncertainty:
        """Returns an uncertainty with one known contribution."""
        return cls((Contribution(u, source=source),))

    @property
    def total(self) -> float:
        """The combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
        return math.hypot(*(one.u for one in self.contributions))

    @property
    def scatter(self) -> float | None:
        """The standard uncertainty that more repeats reduce, None without any."""
        return math.hypot(*(one.u for one in self.contributions if one.shrinks)) or None

    @property
    def df(self) -> float:
        """The effective degrees of freedom, infinite where every contribution is known.

        Reference:
            Welch and Satterthwaite, JCGM 100:2008, G.4.1.

        Example:
            >>> end_gauge = ((25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2))
            >>> round(Uncertainty(tuple(Contribution(u, df) for u, df in end_gauge)).df, 1)
            16.8
        """
        total = self.total
        doubt = math.fsum((one.u / total) ** 4 / one.df for one in self.contributions) if total else 0.0
        return 1 / doubt if doubt else math.inf

    def band(self, z: float) -> float:
        """Returns how far the true value may lie to one side of the measured one, with the confidence of z in a normal distribution.

        Each contribution is widened by Student's t at its own degrees of freedom, and the results are added in quadrature. The true value
        lies further away in at most 1 - Phi(z) of cases, whatever the contributions. This holds because the coverage is a concave function of
        the shares of the true variance. It is exact for a single contribution.

        Args:
            z: of a normal distribution, >= 0; 1.645 for 95 % to one side.

        Notes:
            Student's t at the effective degrees of freedom (JCGM 100:2008, G.4) is narrower and does not keep the stated risk (8.8 % at
            two readings instead of 5 %). A better instrument can even widen it.

        Reference:
            Banerjee 1960, Sankhya 22, 357-358 (from memory).

        Example:
            >>> round(Uncertainty((Contribution(1.0, 2),)).band(1.6449), 2)
            2.92
        """
        return math.hypot(*(_student(one.df, z) * one.u for one in self.contributions))

    def guard(self, z: float) -> float:
        """Returns the guard band with the risk of z at a limit: see `band`."""
        return self.band(z)

    def z_of(self, distance: float) -> float:
        """Returns the z whose `band` is a distance >= 0."""
        if distance <= 0:
            return 0.0
        estimated = [one for one in self.contributions if one.u > 0 and not math.isinf(one.df)]
        total = self.total
        if not estimated or not total:
            return min(distance / total, _FURTHEST) if total else _FURTHEST
        # t is never less than z, so distance / total bounds z from above. Bisection is written out because scipy.optimize takes 0.24 s of
        # processor time to load, and a band at z = 38 may be infinite.
        low, high = 0.0, min(distance / total, _FURTHEST)
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if self.band(middle) < distance else (low, middle)
        return (low + high) / 2

    def below(self, distance: float) -> float:
        """Returns the probability that the true value is less than the measured one plus a distance, which may be negative."""
        chance = _NORMAL.cdf(self.z_of(abs(distance)))
        return chance if distance >= 0 else 1 - chance

    def beside(self, *others: Uncertainty) -> Uncertainty:
        """Returns the uncertainty of a sum or difference of independent values."""
        return Uncertainty(tuple(part for one in (self, *others) for part in one.contributions))

    def scaled(self, by: float) -> Uncertainty:
        """Returns the uncertainty of a multiple of the value."""
        return replace(self, contributions=tuple(replace(one, u=abs(by) * one.u) for one in self.contributions))

    def with_more(self, n: int, more: int) -> Uncertainty:
        """Returns the uncertainty with more repeats of the same spread: their part shrinks as 1 / sqrt(n) and gains degrees of freedom.

        Args:
            n: number of repeats so far, >= 1.
            more: number of further repeats, >= 0.
        """
        parts = (
            replace(one, u=one.u * math.sqrt(n / (n + more)), df=one.df + more) if one.shrinks else one
            for one in self.contributions
        )
        return replace(self, contributions=tuple(parts))

    @property
    def fixed(self) -> Uncertainty:
        """The contributions that repeats do not reduce."""
        return replace(self, contributions=tuple(one for one in self.contributions if not one.shrinks))

    @property
    def varying(self) -> Uncertainty:
        """The contributions that repeats reduce."""
        return replace(self, contributions=tuple(one for one in self.contributions if one.shrinks))


def combined(parts: Iterable[Uncertainty | None]) -> Uncertainty | None:
    """Returns the uncertainty of a sum of independent values, None where one is unknown or no value is given."""
    every: Sequence[Uncertainty | None] = list(parts)
    known = [one for one in every if one is not None]
    return known[0].beside(*known[1:]) if known and len(known) == len(every) else None


def estimated(u: float, df: float, source: str) -> Uncertainty:
    """Returns an uncertainty estimated from repeats, which more repeats reduce."""
    return Uncertainty((Contribution(u, df, source, True),))


def total(uncertainty: Uncertainty | None) -> float | None:
    """Returns the combined standard uncertainty, None where unknown."""
    return None if uncertainty is None else uncertainty.total


@lru_cache(maxsize=65536)
def _student(df: float, z: float) -> float:
    """Returns the quantile of Student's t with the tail probability of z in a normal distribution."""
    if math.isinf(df):
        return z
    from scipy.special import stdtrit

    return float(-stdtrit(df, _NORMAL.cdf(-z)))
