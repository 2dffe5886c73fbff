"""What a plan of measuring risks: how often a lot on its limit passes, and how often a good one is held or rejected."""

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
# Values that stand for the whole distribution of a variance that is estimated.
_NODES = 16
# A length is found this near its place, as a part of the limit.
_CLOSE = 1e-9
# Points of a power curve.
POINTS = 25
# A spool or a reading more than this nobody plans for.
MOST = 500


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities, 0..1, of the three outcomes of a finding; their sum is 1."""

    passes: float
    near: float
    fails: float


@dataclass(frozen=True)
class Plan:
    """How one figure of a lot is to be measured and judged.

    Args:
        limit: on the figure.
        rule: simple or guarded acceptance.
        spools: that are measured, >= 1.
        readings: of each, >= 1.
        sd: standard deviation of a reading about the mean of its spool, in the unit of the figure, >= 0.
        between_sd: standard deviation of the spools of a lot, >= 0.
        instrument: its standard uncertainty, which repeats do not reduce, >= 0.
        spools_in_lot: >= spools; None for any number.
        sd_df, between_df: degrees of freedom that earlier spools and lots lend to the two, >= 0.
        of_spool: True where each spool is judged and the worst decides, False where the mean of the lot is.
        directions: 0 for a value on a scale; 1 or more for a length, such as 3 for a colour difference.

    Raises:
        ValueError: a number out of its range.

    Notes:
        Normal distributions throughout. A lot that rests on one spool of several while no earlier lot tells how spools differ never
        passes under the guarded rule. Variances that are estimated are averaged over sixteen quantiles of chi-square. All spools of a lot
        are taken as alike where each spool is judged.

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
        """Returns the chances of the outcomes where the true figure of the lot, or of each spool, is `true`."""
        passes = fails = 0.0
        error = math.hypot(*(one.u for one in self._made_of(1.0, 1.0)))
        for acceptable in self._acceptance:
            passes += self._inside(acceptable, true, error) / len(self._acceptance)
        fails = 1.0 - self._inside((self.limit.low, self.limit.high), true, error)
        if self.of_spool:
            # The worst of the spools decides, each measured by itself.
            passes, fails = passes**self.spools, 1.0 - (1.0 - fails) ** self.spools
        passes = min(passes, 1.0 - fails)
        return Chances(passes, max(0.0, 1.0 - passes - fails), fails)

    def curve(self, points: int = POINTS) -> list[tuple[float, Chances]]:
        """Returns true values from the target to half as far again beyond the limit, each with its chances."""
        start, end = self.target, self.edge
        span = 1.5 * (end - start)
        return [(start + span * i / (points - 1), self.at(start + span * i / (points - 1))) for i in range(points)]

    @property
    def false_accept(self) -> float:
        """The chance that a lot passes whose true figure lies on its limit; of one spool on it, where each is judged and all others are perfect."""
        found = replace(self, spools=1) if self.of_spool else self
        return found.at(self.edge).passes

    def held_back(self, part: float = 0.5) -> float:
        """Returns the chance that a good lot does not pass.

        Args:
            part: how far it lies from the target, as a part of the way to the limit, 0 <= part < 1.
        """
        return 1.0 - self.at(self.target + part * (self.edge - self.target)).passes

    @property
    def target(self) -> float:
        """What an ideal lot has: the middle between two ends, else the target of the limit, or half as much again beyond a floor that names none."""
        limit = self.limit
        if limit.low is not None and limit.high is not None:
            return (limit.low + limit.high) / 2
        if limit.target is not None:
            return limit.target
        return 0.0 if limit.low is None else 1.5 * limit.low

    @property
    def edge(self) -> float:
        """The end of the limit that the curve runs to: the upper one, or the only one."""
        return self.limit.low if self.limit.high is None else self.limit.high  # type: ignore[return-value]  # a limit has an end

    @cached_property
    def _acceptance(self) -> list[tuple[float | None, float | None]]:
        """Between which measured values it passes, for each way in which the estimated variances may turn out."""
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
        """True where nothing tells how uncertain the figure is."""
        one_of_several = not self.of_spool and self.spools == 1 and self.spools_in_lot != 1 and not self.between_df
        no_repeats = (
            self.readings == 1 and not self.sd_df and not self.instrument and (self.of_spool or self.spools == 1)
        )
        return one_of_several or no_repeats

    def _estimates(self) -> Iterator[Uncertainty]:
        """The uncertainty as it may be estimated."""
        within = _ratios(self._sd_df)
        # Both are drawn together, one forwards and one in steps, so that no order of one goes with that of the other.
        between = _ratios(self._between_df)
        for i, ratio in enumerate(within):
            yield Uncertainty(tuple(self._made_of(ratio, between[(7 * i + 3) % _NODES])))

    def _made_of(self, ratio: float, between_ratio: float) -> list[Contribution]:
        """What the figure's error is made of, each variance estimated as so many times what it is."""
        known = Contribution(self.instrument, source="instrument")
        scatter = self.sd / math.sqrt(self.readings)
        if self.of_spool:
            return [
                Contribution(scatter * math.sqrt(ratio), self._sd_df or math.inf, "scatter of readings", True),
                known,
            ]
        measured = min(1.0, self.spools / self.spools_in_lot) if self.spools_in_lot else 0.0
        of_means = (1 - measured) * (self.between_sd**2 + scatter**2) / self.spools
        rest = measured * scatter**2 / self.spools
        return [
            Contribution(math.sqrt(of_means * between_ratio), self._between_df or math.inf, BETWEEN_SPOOLS, True),
            Contribution(math.sqrt(rest * ratio), self._sd_df or math.inf, "scatter of readings", True),
            known,
        ]

    @property
    def _sd_df(self) -> float:
        return self.spools * (self.readings - 1) + self.sd_df

    @property
    def _between_df(self) -> float:
        return self.spools - 1 + self.between_df

    def _longest(self, seen: Uncertainty) -> float:
        """The longest measured length that passes."""
        from scipy.optimize import brentq

        high = self.limit.high or 0.0

        def past(value: float) -> float:
            return Length(value, seen, self.directions).most(self.rule.z) - high - BINARY_NOISE

        if past(0.0) > 0:
            return 0.0
        return float(brentq(past, 0.0, high, xtol=high * _CLOSE)) if past(high) > 0 else high

    def _inside(self, ends: tuple[float | None, float | None], true: float, error: float) -> float:
        """The chance that a measured value lies between two ends."""
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
    """How an estimated variance may turn out, over the true one: so many quantiles, each as likely; 1 where it is known."""
    if df <= 0 or math.isinf(df):
        return [1.0] * _NODES
    from scipy.special import chdtri

    return [float(chdtri(df, 1 - (i + 0.5) / _NODES)) / df for i in range(_NODES)]
