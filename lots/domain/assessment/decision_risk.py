"""Risks of a measurement plan: probability that a lot on its limit passes, and that a good lot is held or rejected."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import NormalDist

from lots.domain.conformity.limits import BINARY_NOISE, DecisionRule, Limit
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.uncertainty.length import Length
from lots.domain.uncertainty.nested_means import BETWEEN_SPOOLS

_NORMAL = NormalDist()
# Quantiles that represent the distribution of an estimated variance.
_NODES = 16
# Relative tolerance of a computed length.
_CLOSE = 1e-9
# Points of a power curve.
POINTS = 25
# Largest number of spools, and of readings, in a plan.
MOST = 500


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities, 0..1, of the three outcomes of a finding; their sum is 1."""

    passes: float
    near: float
    fails: float


@dataclass(frozen=True)
class Plan:
    """The plan for measuring and assessing one figure of a lot.

    Args:
        limit: on the figure.
        rule: simple or guarded acceptance.
        spools: number of measured spools, >= 1.
        readings: number of readings per spool, >= 1.
        sd: standard deviation of a reading about the mean of its spool, in the unit of the figure, >= 0.
        between_sd: standard deviation between the spools of a lot, >= 0.
        instrument: its standard uncertainty, which repeats do not reduce, >= 0.
        spools_in_lot: >= spools; None for any number.
        sd_df, between_df: degrees of freedom of the two from earlier spools and lots, >= 0.
        of_spool: True where each spool is assessed and the worst decides, False for the mean of the lot.
        directions: 0 for a value on a scale; 1 or more for a length, such as 3 for a colour difference.

    Raises:
        ValueError: a number out of its range.

    Notes:
        Assumes normal distributions. Under guarded acceptance, a lot with one measured spool of several and no earlier lots never passes.
        Estimated variances are averaged over sixteen quantiles of chi-square. Where each spool is assessed, all spools are
        taken to have the same true value.

    Reference:
        JCGM 106:2012, clause 9 (risks of consumer and producer). Operating characteristic: any text on acceptance sampling.
    """

    limit: Limit
    rule: DecisionRule
    spools: int
    readings: int
    sd: float
    between_sd: float = 0.0
    instrument: float = 0.0
    spools_in_lot: int | None = None
    sd_df: float = 0.0
    between_df: float = 0.0
    of_spool: bool = False
    directions: float = 0.0

    def __post_init__(self) -> None:
        if not (1 <= self.spools <= MOST and 1 <= self.readings <= MOST):
            raise ValueError(f"spools and readings are whole numbers from 1 to {MOST}")
        numbers = (self.sd, self.between_sd, self.instrument, self.sd_df, self.between_df)
        if not all(math.isfinite(one) and one >= 0 for one in numbers):
            raise ValueError("standard deviations and degrees of freedom are numbers of 0 or more")
        if self.spools_in_lot is not None and self.spools_in_lot < self.spools:
            raise ValueError(f"a lot of {self.spools_in_lot} spools has no {self.spools} to measure")

    def at(self, true: float) -> Chances:
        """Returns the probabilities of the outcomes where the true figure of the lot, or of each spool, is `true`."""
        passes = fails = 0.0
        error = math.hypot(*(one.u for one in self._made_of(1.0, 1.0)))
        for acceptable in self._acceptance:
            passes += self._inside(acceptable, true, error) / len(self._acceptance)
        fails = 1.0 - self._inside((self.limit.low, self.limit.high), true, error)
        if self.of_spool:
            # The worst spool decides, and the spools are independent.
            passes, fails = passes**self.spools, 1.0 - (1.0 - fails) ** self.spools
        passes = min(passes, 1.0 - fails)
        return Chances(passes, max(0.0, 1.0 - passes - fails), fails)

    def curve(self, points: int = POINTS) -> list[tuple[float, Chances]]:
        """Returns true values from the target to 1.5 times the distance of the limit, each with its probabilities."""
        start, end = self.target, self.edge
        span = 1.5 * (end - start)
        return [(start + span * i / (points - 1), self.at(start + span * i / (points - 1))) for i in range(points)]

    @property
    def false_accept(self) -> float:
        """The probability that a lot on its limit passes, or a single spool on its limit where each spool is assessed."""
        found = replace(self, spools=1) if self.of_spool else self
        return found.at(self.edge).passes

    def held_back(self, part: float = 0.5) -> float:
        """Returns the probability that a good lot does not pass.

        Args:
            part: its distance from the target over that of the limit, 0 <= part < 1.
        """
        return 1.0 - self.at(self.target + part * (self.edge - self.target)).passes

    @property
    def target(self) -> float:
        """The ideal value: the middle of two ends, else the target of the limit, else 1.5 times a lower limit, else 0."""
        limit = self.limit
        if limit.low is not None and limit.high is not None:
            return (limit.low + limit.high) / 2
        if limit.target is not None:
            return limit.target
        return 0.0 if limit.low is None else 1.5 * limit.low

    @property
    def edge(self) -> float:
        """The upper limit, or the lower one where it is the only limit."""
        return self.limit.low if self.limit.high is None else self.limit.high  # type: ignore[return-value]  # a limit has an end

    @cached_property
    def _acceptance(self) -> list[tuple[float | None, float | None]]:
        """The accepted range of measured values for each quantile of the estimated variances."""
        limit = self.limit
        if not self.rule.guarded:
            return [(limit.low, limit.high)]
        if self._unknown:
            return [(math.inf, -math.inf)]
        found: list[tuple[float | None, float | None]] = []
        for seen in self._estimates():
            if self.directions:
                found.append((limit.low, self._longest(seen)))
            else:
                band = seen.band(self.rule.z)
                low = None if limit.low is None else limit.low + band
                found.append((low, None if limit.high is None else limit.high - band))
        return found

    @property
    def _unknown(self) -> bool:
        """True where the uncertainty of the figure is unknown."""
        one_of_several = not self.of_spool and self.spools == 1 and self.spools_in_lot != 1 and not self.between_df
        no_repeats = (
            self.readings == 1 and not self.sd_df and not self.instrument and (self.of_spool or self.spools == 1)
        )
        return one_of_several or no_repeats

    def _estimates(self) -> Iterator[Uncertainty]:
        """Yields the uncertainty for each quantile of the estimated variances."""
        within = _ratios(self._sd_df)
        # The second list is read in steps of seven, so that the two are uncorrelated.
        between = _ratios(self._between_df)
        for i, ratio in enumerate(within):
            yield Uncertainty(tuple(self._made_of(ratio, between[(7 * i + 3) % _NODES])))

    def _made_of(self, ratio: float, between_ratio: float) -> list[Contribution]:
        """Returns the contributions to the error of the figure, with the ratios of estimated to true variance."""
        known = Contribution(self.instrument, source="instrument")
        scatter = self.sd / math.sqrt(self.readings)
        if self.of_spool:
            return [
                Contribution(scatter * math.sqrt(ratio), self._sd_df or math.inf, "spread of readings", True),
                known,
            ]
        measured = min(1.0, self.spools / self.spools_in_lot) if self.spools_in_lot else 0.0
        of_means = (1 - measured) * (self.between_sd**2 + scatter**2) / self.spools
        rest = measured * scatter**2 / self.spools
        return [
            Contribution(math.sqrt(of_means * between_ratio), self._between_df or math.inf, BETWEEN_SPOOLS, True),
            Contribution(math.sqrt(rest * ratio), self._sd_df or math.inf, "spread of readings", True),
            known,
        ]

    @property
    def _sd_df(self) -> float:
        return self.spools * (self.readings - 1) + self.sd_df

    @property
    def _between_df(self) -> float:
        return self.spools - 1 + self.between_df

    def _longest(self, seen: Uncertainty) -> float:
        """Returns the longest measured length that passes."""
        from scipy.optimize import brentq

        high = self.limit.high or 0.0

        def past(value: float) -> float:
            return Length(value, seen, self.directions).most(self.rule.z) - high - BINARY_NOISE

        if past(0.0) > 0:
            return 0.0
        return float(brentq(past, 0.0, high, xtol=high * _CLOSE)) if past(high) > 0 else high

    def _inside(self, ends: tuple[float | None, float | None], true: float, error: float) -> float:
        """Returns the probability that a measured value lies between two ends."""
        low, high = ends
        if low is not None and high is not None and low > high:
            return 0.0
        if error <= 0:
            return float((low is None or true >= low) and (high is None or true <= high))
        if self.directions:
            from scipy.special import chndtr

            return float(chndtr(((high or 0.0) / error) ** 2, self.directions, (true / error) ** 2))
        above = 0.0 if low is None else _NORMAL.cdf((low - true) / error)
        below = 1.0 if high is None else _NORMAL.cdf((high - true) / error)
        return max(0.0, below - above)


def _ratios(df: float) -> list[float]:
    """Returns equally likely quantiles of an estimated variance over the true one; 1 where it is known."""
    if df <= 0 or math.isinf(df):
        return [1.0] * _NODES
    from scipy.special import chdtri

    return [float(chdtri(df, 1 - (i + 0.5) / _NODES)) / df for i in range(_NODES)]
