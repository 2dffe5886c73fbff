"""Forecast of the acceptance of a supplier's next lot: from measured values where there are enough, else from verdicts alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain, combinations
from typing import TYPE_CHECKING

import numpy as np

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.registry import MEASURES
from lots.domain.colorimetry.color_values import Lab, nearest_lab
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.statistics.changing_level import Outlook, outlook
from lots.domain.statistics.changing_rate import Rate, changing_rate
from lots.domain.statistics.proportions import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Least lots measured alike for a supplier's standard deviation. Common practice, no source.
LEAST_LOTS = 5
# Number of simulated suppliers, and simulated lots of each, a multiple of ten.
SUPPLIERS, LOTS_EACH = 1000, 200


@dataclass(frozen=True)
class History:
    """One measure over the lots measured alike.

    Args:
        values: one per lot, oldest first.
        within_ss, within_df: sum of squares of spools about their lots' means, and its degrees of freedom; 0 where spools were not recorded.
        spools: typical number of spools measured per lot.
        steady: whether its level is assumed constant.
    """

    values: Sequence[float]
    within_ss: float = 0.0
    within_df: int = 0
    spools: int = 1
    steady: bool = False

    @property
    def enough(self) -> bool:
        """True with enough lots for a standard deviation."""
        return len(self.values) >= LEAST_LOTS

    @cached_property
    def outlook(self) -> Outlook:
        """Predictive distribution of the next value."""
        seen = outlook(self.values)
        return seen.only("steady") if self.steady else seen


@dataclass(frozen=True, slots=True)
class ColorModel:
    """dL*, da*, db* over the lots, the reference, and the colour limits."""

    parts: tuple[History, History, History]
    reference: Lab
    limits: ColorLimits


@dataclass(frozen=True, slots=True)
class Forecast:
    """Probability that the next lot is accepted the first time for some use or uses, with its interval; None where unknown.

    `model` is measured, verdicts or none. `parts` gives the probability of each part of the model, the least likely to pass first. `rate` is the
    estimate from verdicts alone, `possible` the draws from measured values, as `drawn` returns them.
    """

    probability: float | None
    interval: Interval | None
    model: str
    lots: int
    parts: tuple[tuple[str, float], ...] = ()
    rate: Rate | None = field(default=None, compare=False, repr=False)
    possible: tuple[Array, Array] | None = field(default=None, compare=False, repr=False)

    def drawn(self, chance: np.random.Generator) -> tuple[Array, Array] | None:
        """Returns draws of the share of lots accepted, 0..1, and the same where a failure never seen is impossible; None where unknown.

        Args:
            chance: source of draws not made yet; the same seed gives the same result.
        """
        if self.rate is None:
            return self.possible
        whole = self.rate.draw(chance, SUPPLIERS)
        return whole, np.ones(SUPPLIERS) if self.rate.always else whole

    def at_most(self, other: Forecast) -> Forecast:
        """Returns this forecast limited by another: a lot accepted for several uses is accepted for each of them.

        Example:
            >>> two, three = by_verdicts([True, True]), by_verdicts([True, True, True])
            >>> round(three.at_most(two).probability, 3), three.at_most(by_verdicts([])) == three
            (0.833, True)
        """
        return self._bounded(other, min)

    def at_least(self, other: Forecast) -> Forecast:
        """Returns this forecast with another as lower bound: a lot accepted for one use is accepted for at least one."""
        return self._bounded(other, max)

    def _bounded(self, other: Forecast, end: Callable[[float, float], float]) -> Forecast:
        mine, theirs = self.interval, other.interval
        if self.probability is None or other.probability is None or mine is None or theirs is None:
            return self
        ends = Interval(end(mine.low, theirs.low), end(mine.high, theirs.high), mine.confidence)
        return replace(self, probability=end(self.probability, other.probability), interval=ends)


NO_FORECAST = Forecast(None, None, "none", 0)


def by_verdicts(accepted: Sequence[bool], confidence: float = 0.95) -> Forecast:
    """Returns the forecast from verdicts alone: beta-binomial with Jeffreys' prior, where the share accepted may have changed once.

    Args:
        accepted: whether each inspected lot was accepted, oldest first.
        confidence: of the interval of the present share of lots accepted.

    Notes:
        The interval covers the share of steady suppliers in 96 to 99 %. After a change it covers the share in 93 to 97 % once at least a third
        of the lots came since, and in 77 % where 8 of 60 did. Without the change-point model the coverage was 2 to 80 % (all simulated in
        tests/promises/purchasing.py).

    Reference:
        changing_rate.

    Example:
        >>> round(by_verdicts([True, True]).probability, 3), by_verdicts([]).probability
        (0.833, None)
    """
    if not accepted:
        return NO_FORECAST
    rate = changing_rate(accepted)
    return Forecast(rate.mean, rate.interval(confidence), "verdicts", len(accepted), rate=rate)


# (Lots without failures outside the measured parts, lots inspected.)
Otherwise = tuple[int, int]


@dataclass(frozen=True)
class Drawn:
    """Simulated suppliers that fit the observed lots.

    Args:
        shares: part of the model (a measure or color) -> share of each simulated supplier's lots within its limits.
        lots: part -> number of lots it is based on.
        rank: quantile of each simulated supplier in failures that no part covers, 0 to 1. It is common to all uses, so that their forecasts are
            consistent.
    """

    shares: Mapping[str, Array]
    lots: Mapping[str, int]
    rank: Array

    def forecast(self, needs: Collection[str], otherwise: Otherwise, confidence: float = 0.95) -> Forecast | None:
        """Returns the forecast of passing all of some parts and everything else; None where no part was drawn.

        Args:
            needs: parts that a use requires; those not drawn belong to everything else.
            otherwise: (lots without other failures, lots inspected).
            confidence: of the interval.
        """
        shares = {name: self.shares[name] for name in self.shares if name in needs}
        if not shares:
            return None
        measured = self._together(shares)
        shares["everything else"] = self._rest(otherwise)
        whole = measured * shares["everything else"]
        good, seen = otherwise
        # Without other failures so far, other failures may be impossible.
        possible = whole, measured if good == seen else whole
        ends = _middle(*possible, confidence)
        parts = sorted(((name, float(share.mean())) for name, share in shares.items()), key=lambda part: part[1])
        used = min(self.lots[name] for name in shares if name in self.lots)
        return Forecast(float(whole.mean()), ends, "measured", used, tuple(parts), possible=possible)

    def at_least_one(
        self,
        uses: Mapping[str, Collection[str]],
        otherwise: Callable[[Collection[str]], Otherwise],
        confidence: float = 0.95,
    ) -> Forecast | None:
        """Returns the forecast of acceptance for at least one of some uses, by inclusion and exclusion; None where no part was drawn.

        Args:
            uses: use -> parts that it requires.
            otherwise: (lots without other failures for any of some uses, lots inspected).
            confidence: of the interval.
        """
        needed = {name for needs in uses.values() for name in needs if name in self.shares}
        if not needed:
            return None
        passed, both, spotless = [], [], False
        for some in _subsets(uses):
            parts, counts = {name for use in some for name in uses[use]}, otherwise(some)
            sign = 1.0 if len(some) % 2 else -1.0
            passed.append(sign * self._together({name: self.shares[name] for name in self.shares if name in parts}))
            both.append(passed[-1] * self._rest(counts))
            spotless = spotless or (len(some) == 1 and counts[0] == counts[1])
        # Single uses come first. Acceptance for one of them is acceptance for at least one.
        whole = np.clip(np.sum(both, axis=0), np.max(both[: len(uses)], axis=0), 1.0)
        high = np.maximum(whole, np.sum(passed, axis=0)).clip(0.0, 1.0) if spotless else whole
        used = min(self.lots[name] for name in needed)
        return Forecast(float(whole.mean()), _middle(whole, high, confidence), "measured", used)

    def _together(self, shares: Mapping[str, Array]) -> Array:
        return np.asarray(np.prod([np.ones_like(self.rank), *shares.values()], axis=0))

    def _rest(self, otherwise: Otherwise) -> Array:
        """Returns the share of each supplier's lots without other failures: a beta distribution with Jeffreys' prior."""
        from scipy.special import betaincinv

        good, seen = otherwise
        return np.asarray(betaincinv(good + 0.5, seen - good + 0.5, self.rank))


def _subsets(uses: Collection[str]) -> Iterator[tuple[str, ...]]:
    """Returns all sets of some uses, the smallest first."""
    return chain.from_iterable(combinations(uses, size) for size in range(1, len(uses) + 1))


def _middle(low: Array, high: Array, confidence: float) -> Interval:
    """Returns the central interval over simulated suppliers, with its lower and upper limits from one array each."""
    tail = (1 - confidence) / 2
    return Interval(float(np.quantile(low, tail)), float(np.quantile(high, 1 - tail)), confidence)


def drawn(
    measures: Mapping[str, tuple[History, Limit]], color: ColorModel | None, chance: np.random.Generator
) -> Drawn:
    """Returns simulated suppliers that fit the measured values, for the forecasts of all uses. Arguments and notes as `by_measures`."""
    shares: dict[str, Array] = {}
    fine = {name: pair for name, pair in measures.items() if pair[0].enough}
    for name, (history, limit) in fine.items():
        if MEASURES[name].per_spool and history.within_df:
            _, spools = _sent(history, chance)
            shares[name] = _share(np.asarray(_inside(spools, limit).all(axis=2)))
        else:
            shares[name] = _share_inside(*_drawn(history, chance), limit)
    lots = {name: len(history.values) for name, (history, _) in fine.items()}
    if color is not None and all(part.enough for part in color.parts):
        lots["color"] = min(len(part.values) for part in color.parts)
        shares["color"] = _share(_color_ok(color, chance))
    return Drawn(shares, lots, chance.random(SUPPLIERS))


def by_measures(
    measures: Mapping[str, tuple[History, Limit]],
    color: ColorModel | None,
    otherwise: Otherwise,
    chance: np.random.Generator,
    confidence: float = 0.95,
) -> Forecast | None:
    """Returns the forecast from measured values; None when no measure has enough lots.

    The true process of the supplier is unknown, so it is drawn from the posterior. For every measure these are the pattern of its level (steady,
    step, trend or random walk; changing_level), the standard deviation (chi-square), the level (normal) and the spread of spools within a lot.
    The share of lots within each limit is computed; for colour and for spools, simulated lots are counted. The mean over all simulated suppliers
    is the probability, and their central 95 % is the interval. Its upper limit assumes that other failures never seen are impossible.

    Args:
        measures: name -> (history, limit) of each measure assessed by itself.
        color: None where colour is not assessed or has too few lots.
        otherwise: (lots without other failures, lots inspected): failures that no measure here covers, such as the worst single reading or
            specks, with Jeffreys' prior.
        chance: source of the draws; the same seed gives the same result.
        confidence: of the interval.

    Notes:
        Lots are taken as normal and measures as independent: where they fail together the probability is underestimated. The prior is
        noninformative, so few lots well inside all limits give a conservative answer: 0.91 for 8 lots with limits at 3.3 sigma and 0.98
        elsewhere, where the true value is 0.98; 0.95 for 20 (simulated). A trend is assumed to continue. Colour differences use the
        formula's quadratic form at the reference, with an error of some per cent at differences of 1 or 2.

        The interval covers the true probability of one measure in 93 to 97 % on average over suppliers with steps or random walks, and in 96
        to 98 % over steady ones. After a step of one or two standard deviations within the last three of 20 or more lots it covers 80 to 87 %,
        because such a step is not detectable yet. Without other failures so far it covers 97 to 99 % (all simulated in
        tests/promises/purchasing.py).

    Reference:
        Gelman et al., Bayesian Data Analysis, 3rd ed., 3.2 (normal data, noninformative prior), from memory; changing_level.outlook.
    """
    seen = drawn(measures, color, chance)
    return seen.forecast(seen.shares, otherwise, confidence)


def _share(passed: NDArray[np.bool_]) -> Array:
    return np.asarray(passed.mean(axis=1))


def _inside(values: Array, limit: Limit) -> NDArray[np.bool_]:
    low = -math.inf if limit.low is None else limit.low - BINARY_NOISE
    high = math.inf if limit.high is None else limit.high + BINARY_NOISE
    return (values >= low) & (values <= high)


def _share_inside(level: Array, scatter: Array, limit: Limit) -> Array:
    """Returns the share of each supplier's normal lots within a limit, exactly: counting simulated lots would not resolve 0.1 %."""
    from scipy.special import ndtr

    # A standard deviation of zero must not divide by zero, nor exceed the rounding allowance of the limit.
    width = np.maximum(scatter, BINARY_NOISE / 1000)
    low = -math.inf if limit.low is None else (limit.low - BINARY_NOISE - level) / width
    high = math.inf if limit.high is None else (limit.high + BINARY_NOISE - level) / width
    # Upper tails keep precision where both probabilities are near 1.
    return np.asarray(np.where(np.asarray(low) > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low)))


def _drawn(history: History, chance: np.random.Generator) -> tuple[Array, Array]:
    """Returns the level of the next lot and the standard deviation of lots, for SUPPLIERS simulated suppliers."""
    return history.outlook.draw(chance, SUPPLIERS)


def _sent(history: History, chance: np.random.Generator, *, every_spool: bool = False) -> tuple[Array, Array]:
    """Returns simulated lots, (SUPPLIERS, LOTS_EACH), and along a further axis the lowest and highest spool of each, or every spool.

    For a single measure the two extremes decide whether all spools are within a limit.
    """
    level, scatter = _drawn(history, chance)
    lots = level[:, None] + scatter[:, None] * chance.standard_normal((SUPPLIERS, LOTS_EACH))
    return lots, lots[:, :, None] + _spools_apart(history, chance, every_spool=every_spool)


def _spools_apart(history: History, chance: np.random.Generator, *, every_spool: bool) -> Array:
    """Returns deviations of spools from their lot's mean, the two extremes of each lot or all. Deviations of a lot sum to zero."""
    if not history.within_df:
        return np.zeros((1, 1, 1))
    scatter = np.sqrt(history.within_ss / chance.chisquare(history.within_df, SUPPLIERS))
    # Ten lots of one supplier share the same spool deviations, which saves nine tenths of the draws.
    noise = chance.standard_normal((SUPPLIERS, LOTS_EACH // 10, history.spools))
    apart = scatter[:, None, None] * (noise - noise.mean(axis=2, keepdims=True))
    if not every_spool:
        apart = np.stack((apart.min(axis=2), apart.max(axis=2)), axis=2)
    return np.tile(apart, (1, 10, 1))


def _color_ok(color: ColorModel, chance: np.random.Generator) -> NDArray[np.bool_]:
    drawn = [_sent(part, chance, every_spool=color.limits.spool_max is not None) for part in color.parts]
    lots = np.stack([one for one, _ in drawn], axis=-1)
    metric = metric_at(color.reference, color.limits)
    passed = np.ones(lots.shape[:2], dtype=bool)
    if color.limits.lot_max is not None:
        passed &= _distance(lots, metric) <= color.limits.lot_max + BINARY_NOISE
    for place, name in enumerate("Lab"):
        most = (color.limits.components_max or {}).get(name)
        if most is not None:
            passed &= np.abs(lots[..., place]) <= most + BINARY_NOISE
    if color.limits.spool_max is not None:
        spools = np.stack(np.broadcast_arrays(*(each for _, each in drawn)), axis=-1)
        passed &= (_distance(spools, metric) <= color.limits.spool_max + BINARY_NOISE).all(axis=2)
    return passed


def _distance(apart: Array, metric: Array) -> Array:
    return np.asarray(np.sqrt(np.maximum(0.0, np.einsum("...i,...i->...", apart @ metric, apart))))


def metric_at(reference: Lab, limits: ColorLimits, step: float = 0.5) -> Array:
    """Returns the quadratic form of squared colour differences near `reference`.

    It is fitted to differences of the size of usual limits, in both directions, so that it is accurate there.

    Example:
        >>> metric_at(Lab(50, 0, 0), ColorLimits("CIE76")).round(9).tolist()
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """

    def squared(way: Sequence[int]) -> float:
        ends = (
            nearest_lab(*(at + sign * step * by for at, by in zip(reference.as_list(), way, strict=True)))
            for sign in (1, -1)
        )
        return sum(limits.delta_e(reference, end) ** 2 for end in ends) / (2 * step**2)

    units = np.eye(3, dtype=int)
    form = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            along, across = squared(units[i] + units[j]), squared(units[i] - units[j]) if i != j else 0.0
            form[i, j] = (along - across) / 4
    return form
