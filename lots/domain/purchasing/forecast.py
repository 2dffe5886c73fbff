"""Will a supplier's next lot be accepted: from how its lots scatter and drift where they were measured, from verdicts alone where not."""

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

# Lots measured alike that it takes to know a supplier's scatter at all. Common practice, no source.
LEAST_LOTS = 5
# What the lots may truly be like is drawn this often, and each of these suppliers sends so many lots, a multiple of ten.
SUPPLIERS, LOTS_EACH = 1000, 200


@dataclass(frozen=True)
class History:
    """One measure over the lots measured alike.

    Args:
        values: one per lot, oldest first.
        within_ss, within_df: sum of squares of spools about their lots' means, and its degrees of freedom; 0 where spools were not told
            apart.
        spools: spools measured of a lot, typically.
        steady: whether its level is taken as steady, whatever the values say.
    """

    values: Sequence[float]
    within_ss: float = 0.0
    within_df: int = 0
    spools: int = 1
    steady: bool = False

    @property
    def enough(self) -> bool:
        """True when its scatter can be known."""
        return len(self.values) >= LEAST_LOTS

    @cached_property
    def outlook(self) -> Outlook:
        """What its values say of the next one."""
        seen = outlook(self.values)
        return seen.only("steady") if self.steady else seen


@dataclass(frozen=True, slots=True)
class ColorModel:
    """dL*, da*, db* over the lots, the reference, and what the limits ask."""

    parts: tuple[History, History, History]
    reference: Lab
    limits: ColorLimits


@dataclass(frozen=True, slots=True)
class Forecast:
    """Probability that the next lot is accepted the first time for some use or uses, with its interval; None where nothing can be said.

    `model` is measured, verdicts or none. `parts` gives the probability of each part of the model, the weakest first: where it will fail,
    if it does. `rate` is what verdicts alone say, `possible` what was drawn from figures, as `drawn` returns it.
    """

    probability: float | None
    interval: Interval | None
    model: str
    lots: int
    parts: tuple[tuple[str, float], ...] = ()
    rate: Rate | None = field(default=None, compare=False, repr=False)
    possible: tuple[Array, Array] | None = field(default=None, compare=False, repr=False)

    def drawn(self, chance: np.random.Generator) -> tuple[Array, Array] | None:
        """Returns shares of lots accepted, 0..1, that fit what was seen, and the same where nothing fails that never failed; None where unknown.

        Args:
            chance: where draws come from that were not made yet; the same seed gives the same answer.
        """
        if self.rate is None:
            return self.possible
        whole = self.rate.draw(chance, SUPPLIERS)
        return whole, np.ones(SUPPLIERS) if self.rate.always else whole

    def at_most(self, other: Forecast) -> Forecast:
        """Returns this forecast, nowhere above another: a lot accepted for several uses is accepted for each of them.

        Example:
            >>> two, three = by_verdicts([True, True]), by_verdicts([True, True, True])
            >>> round(three.at_most(two).probability, 3), three.at_most(by_verdicts([])) == three
            (0.833, True)
        """
        return self._bounded(other, min)

    def at_least(self, other: Forecast) -> Forecast:
        """Returns this forecast, nowhere below another: a lot accepted for one use is accepted for at least one."""
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
        accepted: whether each lot inspected to an end was accepted, oldest first.
        confidence: of the interval of the share of lots accepted now.

    Notes:
        The interval holds the share of steady suppliers in 96 to 99 %. It holds the share of those whose share changed in 93 to 97 % once a third
        of the lots or more came since, and in 77 % where 8 of 60 did. Without the change it held 2 to 80 % of these (all simulated in
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


# What of the lots failed nothing but what is measured, and how many were inspected.
Otherwise = tuple[int, int]


@dataclass(frozen=True)
class Drawn:
    """Suppliers drawn so that they fit what was seen of a supplier's lots.

    Args:
        shares: part of the model, a measure or color -> the share of each drawn supplier's lots that keeps its limits.
        lots: part -> lots that it rests on.
        rank: where each drawn supplier stands, 0 to 1, in what no part covers: the same for every use, so that failing more for one use than for
            another is one thing in all of them.
    """

    shares: Mapping[str, Array]
    lots: Mapping[str, int]
    rank: Array

    def forecast(self, needs: Collection[str], otherwise: Otherwise, confidence: float = 0.95) -> Forecast | None:
        """Returns the forecast of passing all of some parts and everything else; None where none of them was drawn.

        Args:
            needs: parts that a use requires; those that were not drawn belong to everything else.
            otherwise: (lots that failed nothing else, lots inspected).
            confidence: of the interval.
        """
        shares = {name: self.shares[name] for name in self.shares if name in needs}
        if not shares:
            return None
        measured = self._together(shares)
        shares["everything else"] = self._rest(otherwise)
        whole = measured * shares["everything else"]
        good, seen = otherwise
        # Where nothing else ever failed it may be that nothing can.
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
        """Returns the forecast of being accepted for at least one of some uses, by inclusion and exclusion; None where no part was drawn.

        Args:
            uses: use -> parts that it requires.
            otherwise: (lots that failed nothing else for any of some uses, lots inspected).
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
        # Single uses come first, and accepted for one of them is accepted for at least one.
        whole = np.clip(np.sum(both, axis=0), np.max(both[: len(uses)], axis=0), 1.0)
        high = np.maximum(whole, np.sum(passed, axis=0)).clip(0.0, 1.0) if spotless else whole
        used = min(self.lots[name] for name in needed)
        return Forecast(float(whole.mean()), _middle(whole, high, confidence), "measured", used)

    def _together(self, shares: Mapping[str, Array]) -> Array:
        return np.asarray(np.prod([np.ones_like(self.rank), *shares.values()], axis=0))

    def _rest(self, otherwise: Otherwise) -> Array:
        """The share of each supplier's lots that fails nothing else: Jeffreys' beta."""
        from scipy.special import betaincinv

        good, seen = otherwise
        return np.asarray(betaincinv(good + 0.5, seen - good + 0.5, self.rank))


def _subsets(uses: Collection[str]) -> Iterator[tuple[str, ...]]:
    """All sets of some uses, the smallest first."""
    return chain.from_iterable(combinations(uses, size) for size in range(1, len(uses) + 1))


def _middle(low: Array, high: Array, confidence: float) -> Interval:
    """The middle part over drawn suppliers, its ends from one share each."""
    tail = (1 - confidence) / 2
    return Interval(float(np.quantile(low, tail)), float(np.quantile(high, 1 - tail)), confidence)


def drawn(
    measures: Mapping[str, tuple[History, Limit]], color: ColorModel | None, chance: np.random.Generator
) -> Drawn:
    """Returns suppliers that fit the measured figures, for the forecasts of all uses. Arguments and notes as `by_measures`."""
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
    """Returns the forecast from measured figures; None when no measure has enough lots.

    What the supplier's lots are truly like is not known, so it is drawn: for every measure whether its level is steady, has stepped,
    drifts or wanders (changing_level), a scatter that fits what was seen (chi-square), a level (normal), a scatter of spools within a
    lot. The share of its lots that keep each limit
    is worked out; for colour and for spools such a supplier sends lots, and those that do are counted. The mean over all suppliers is
    the probability; the middle 95 % over them is the interval. Its high end takes it that nothing else fails where nothing else ever did.

    Args:
        measures: name -> (history, limit) of each measure that is judged by itself.
        color: None where colour is not judged or has too few lots.
        otherwise: (lots that failed nothing else, lots inspected): what no measure here covers, such as the worst single reading or
            specks, by Jeffreys' beta.
        chance: where the draws come from; the same seed gives the same answer.
        confidence: of the interval.

    Notes:
        Lots are taken as normal and measures as independent: where they fail together the probability comes out low. Nothing is known
        beforehand, so for a supplier well inside all limits few lots give a careful answer: 0.91 for 8 lots with limits at 3.3 sigma and 0.98
        elsewhere, where the truth is 0.98; 0.95 for 20 (simulated). A trend is taken to go on. Colour differences use the formula's own
        quadratic form at the reference, some per cent off at differences of 1 or 2.

        The interval holds the true probability of one measure in 93 to 97 % on average over suppliers that stepped or wander, and in 96 to 98 %
        over steady ones. Where a step of one or two standard deviations came within the last three of 20 lots or more it holds 80 to 87 %:
        nothing can show such a step yet. Where nothing else ever failed it holds 97 to 99 % (all simulated in tests/promises/purchasing.py).

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
    """The share of each supplier's normal lots that lies within a limit: exact, where counting lots sent would never tell 0.1 % from none."""
    from scipy.special import ndtr

    # No scatter at all must not divide by zero, and must not reach across what the limit gives for rounding.
    width = np.maximum(scatter, BINARY_NOISE / 1000)
    low = -math.inf if limit.low is None else (limit.low - BINARY_NOISE - level) / width
    high = math.inf if limit.high is None else (limit.high + BINARY_NOISE - level) / width
    # Far above a lower limit both are near 1 and their difference would be lost: there the upper tails are taken.
    return np.asarray(np.where(np.asarray(low) > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low)))


def _drawn(history: History, chance: np.random.Generator) -> tuple[Array, Array]:
    """Level of the next lot and scatter of lots, for SUPPLIERS that fit what was seen."""
    return history.outlook.draw(chance, SUPPLIERS)


def _sent(history: History, chance: np.random.Generator, *, every_spool: bool = False) -> tuple[Array, Array]:
    """Lots of drawn suppliers, (SUPPLIERS, LOTS_EACH), and of each the lowest and the highest spool, or every one, along a last axis more.

    Of a measure by itself the two say whether all spools keep a limit.
    """
    level, scatter = _drawn(history, chance)
    lots = level[:, None] + scatter[:, None] * chance.standard_normal((SUPPLIERS, LOTS_EACH))
    return lots, lots[:, :, None] + _spools_apart(history, chance, every_spool=every_spool)


def _spools_apart(history: History, chance: np.random.Generator, *, every_spool: bool) -> Array:
    """How spools lie about their lot's mean, of each lot the two ends or all. A lot's value is the mean of its spools, so all sum to zero."""
    if not history.within_df:
        return np.zeros((1, 1, 1))
    scatter = np.sqrt(history.within_ss / chance.chisquare(history.within_df, SUPPLIERS))
    # The same spools serve several lots of one supplier: they say how far the worst lies, at a tenth of the draws.
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
    """Returns the quadratic form that squared colour differences from `reference` follow near it.

    Read off differences of about the size that limits are set at, both ways, so that it is right there.

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
