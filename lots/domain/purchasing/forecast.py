"""Will a supplier's next lot be accepted: from how its lots scatter and drift where they were measured, from verdicts alone where not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from lots.domain.characteristics.color.lot_color import ColorLimits
from lots.domain.characteristics.registry import MEASURES
from lots.domain.colorimetry.color_values import Lab, nearest_lab
from lots.domain.conformity.limits import BINARY_NOISE, Limit
from lots.domain.statistics.changing_level import PRIOR, Outlook, outlook
from lots.domain.statistics.changing_rate import changing_rate
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
    """

    values: Sequence[float]
    within_ss: float = 0.0
    within_df: int = 0
    spools: int = 1

    @property
    def enough(self) -> bool:
        """True when its scatter can be known."""
        return len(self.values) >= LEAST_LOTS

    @cached_property
    def outlook(self) -> Outlook:
        """What its values say of the next one."""
        return outlook(self.values)


# A change is named where it is at least this likely, and mentioned as possible from this.
LIKELY, POSSIBLE = 0.5, 0.2


@dataclass(frozen=True, slots=True)
class NextValue:
    """What the next lot's figure will be.

    Args:
        interval: a prediction interval of one lot's figure.
        pattern: the likeliest kind of supply, a key of changing_level.PRIOR.
        probability: of that kind.
        changed: indices of the first changed lot, between which the latest step or trend began with 80 % probability; None where neither is
            likely.
        suspected: probability that the level has stepped or drifts at all; the interval is wider for it.
    """

    interval: Interval
    pattern: str
    probability: float
    changed: tuple[int, int] | None
    suspected: float


def next_value(history: History, confidence: float = 0.95) -> NextValue:
    """Returns the interval that the next lot's figure lies in, and what its supplier's lots look like.

    Args:
        history: of LEAST_LOTS lots or more.
        confidence: of the interval.

    Notes:
        From 8 lots on the 95 % interval holds the next lot in 93 to 97 %: of steady suppliers, of those that stepped once and of those that
        wander. Where a step of four standard deviations came within the last 3 to 8 of 8 to 12 lots it holds 98 to 99 %, being wider than
        it need be (simulated in tests/promises/purchasing.py).

    Example:
        >>> found = next_value(History([1.0, 1.2, 0.9, 1.1, 1.0, 3.1, 2.9, 3.0, 3.1, 2.9]))
        >>> found.pattern, found.changed, round(found.interval.low, 1), round(found.interval.high, 1)
        ('step', (5, 5), 2.7, 3.3)
    """
    seen = history.outlook
    kinds = {kind: seen.probability(kind) for kind in PRIOR}
    pattern = max(kinds, key=lambda kind: kinds[kind])
    changed = seen.change(pattern) if pattern in ("step", "trend") and kinds[pattern] >= LIKELY else None
    return NextValue(
        seen.interval(confidence), pattern, kinds[pattern], changed, min(1.0, kinds["step"] + kinds["trend"])
    )


@dataclass(frozen=True, slots=True)
class ColorModel:
    """dL*, da*, db* over the lots, the reference, and what the limits ask."""

    parts: tuple[History, History, History]
    reference: Lab
    limits: ColorLimits


@dataclass(frozen=True, slots=True)
class Forecast:
    """Probability that the next lot is accepted the first time, with a 95 % interval; None where nothing can be said.

    `model` is measured, verdicts or none. `parts` gives the probability of each part of the model, the weakest first: where it will fail,
    if it does.
    """

    probability: float | None
    interval: Interval | None
    model: str
    lots: int
    parts: tuple[tuple[str, float], ...]


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
        return Forecast(None, None, "none", 0, ())
    rate = changing_rate(accepted)
    return Forecast(rate.mean, rate.interval(confidence), "verdicts", len(accepted), ())


def by_measures(
    measures: Mapping[str, tuple[History, Limit]],
    color: ColorModel | None,
    otherwise: tuple[int, int],
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
    shares: dict[str, Array] = {}
    fine = {name: pair for name, pair in measures.items() if pair[0].enough}
    for name, (history, limit) in fine.items():
        if MEASURES[name].per_spool and history.within_df:
            _, spools = _sent(history, chance)
            shares[name] = _share(np.asarray(_inside(spools, limit).all(axis=2)))
        else:
            shares[name] = _share_inside(*_drawn(history, chance), limit)
    lots_used = [len(history.values) for history, _ in fine.values()]
    if color is not None and all(part.enough for part in color.parts):
        lots_used += [len(part.values) for part in color.parts]
        shares["color"] = _share(_color_ok(color, chance))
    if not shares:
        return None
    good, seen = otherwise
    measured = np.prod(list(shares.values()), axis=0)
    shares["everything else"] = chance.beta(good + 0.5, seen - good + 0.5, SUPPLIERS)
    whole = measured * shares["everything else"]
    tail = (1 - confidence) / 2
    low = float(np.quantile(whole, tail))
    # Where nothing else ever failed it may be that nothing can.
    high = float(np.quantile(measured if good == seen else whole, 1 - tail))
    parts = sorted(((name, float(share.mean())) for name, share in shares.items()), key=lambda part: part[1])
    return Forecast(float(whole.mean()), Interval(low, high, confidence), "measured", min(lots_used), tuple(parts))


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
