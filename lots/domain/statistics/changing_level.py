"""Prediction of the next value of a series with a changing level, by Bayesian averaging over steady, step, trend and random-walk models."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from lots.domain.statistics.proportions import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Prior probabilities of the patterns, chosen by simulation so that intervals have their coverage for each of the four
# (tests/promises/purchasing.py); no source.
PRIOR = {"steady": 0.40, "step": 0.20, "wandering": 0.35, "trend": 0.05}
# Sizes of change in standard deviations about the level: step, slope per value, and increment of the random walk.
STEPS, SLOPES, WANDERING = (1.0, 2.0, 4.0, 16.0), (0.1, 0.3, 1.0, 3.0), (0.3, 0.5, 0.7, 1.0, 1.4, 3.0)
# Newest values used. Older ones hardly matter, and computing time grows with the square of the number.
LATEST = 200
# Relative standard deviation that counts as zero.
_NO_SCATTER = 1e-14


# eq=False: arrays cannot be compared to one bool.
@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Predictive distribution of the next value of a series: one row per model, with its posterior weight.

    Given a model and the variance s2 about the level, the next level is normal with mean `level` and variance s2 `doubt`. The next value is normal
    about it with variance s2 `around`. s2 is `squares` over a chi-square with `df` degrees of freedom. `kinds` names each model's pattern, `begins`
    the index of its first changed value, -1 without one.
    """

    weights: Array
    level: Array
    doubt: Array
    around: Array
    squares: Array
    df: int
    kinds: NDArray[np.str_]
    begins: NDArray[np.int64]

    def probability(self, kind: str) -> float:
        """Returns the posterior probability of a pattern, a key of PRIOR."""
        return float(self.weights[self.kinds == kind].sum())

    def only(self, kind: str) -> Outlook:
        """Returns the distribution conditional on one pattern."""
        mine = self.kinds == kind
        # Equal weights where the pattern has posterior weight 0.
        weights = self.weights[mine] if self.weights[mine].any() else np.ones(mine.sum())
        parts = (self.level, self.doubt, self.around, self.squares)
        level, doubt, around, squares = (part[mine] for part in parts)
        return Outlook(
            weights / weights.sum(), level, doubt, around, squares, self.df, self.kinds[mine], self.begins[mine]
        )

    def change(self, kind: str) -> tuple[int, int]:
        """Returns the 80 % interval of the first changed value, for "step" or "trend"."""
        mine = self.kinds == kind
        order = np.argsort(self.begins[mine], kind="stable")
        part = self.weights[mine][order].cumsum()
        low, high = np.searchsorted(part, (0.1 * part[-1], 0.9 * part[-1]))
        begins = self.begins[mine][order]
        return int(begins[low]), int(begins[min(high, len(begins) - 1)])

    @property
    def scale(self) -> Array:
        """Scale of the Student's t distribution of the next value in each model, with `df` degrees of freedom."""
        return np.asarray(np.sqrt(self.squares / self.df * (self.doubt + self.around)))

    def below(self, end: float) -> float:
        """Returns the predictive probability that the next value is below a number (mixture of Student's t)."""
        from scipy.special import stdtr

        return float(self.weights @ stdtr(self.df, (end - self.level) / self.scale))

    def outside(self, low: float | None, high: float | None) -> float:
        """Returns the predictive probability that the next value is below `low` or above `high`, 0..1; None for no limit on that side.

        Example:
            >>> found = outlook([1.0, 1.2, 0.9, 1.1, 1.0, 1.1])
            >>> round(found.outside(None, 1.05), 2), found.outside(0.0, 2.0) < 0.02
            (0.51, True)
        """
        beyond = (0.0 if low is None else self.below(low)) + (0.0 if high is None else 1 - self.below(high))
        return min(1.0, max(0.0, beyond))

    @lru_cache(maxsize=128)  # noqa: B019  # bounded, and an outlook is kept below by its values anyway
    def interval(self, confidence: float = 0.95) -> Interval:
        """Returns the equal-tailed prediction interval of the next value (mixture of Student's t)."""
        from scipy.optimize import brentq
        from scipy.special import stdtrit

        scale = self.scale
        reach = float(stdtrit(self.df, (1 + confidence) / 2))
        ends = []
        for sign in (-1.0, 1.0):
            # The models' own limits bracket the limit of the mixture.
            own = self.level + sign * reach * scale
            low, high = float(own.min()), float(own.max())

            def too_much(end: float, probability: float = (1 + sign * confidence) / 2) -> float:
                return self.below(end) - probability

            crossed = too_much(low) < 0 < too_much(high)
            ends.append(brentq(too_much, low, high, xtol=1e-9 * float(scale.min())) if crossed else (low + high) / 2)
        return Interval(ends[0], ends[1], confidence)

    def draw(self, chance: np.random.Generator, size: int) -> tuple[Array, Array]:
        """Returns draws from the posterior: level of the next value, and standard deviation about it."""
        chosen = np.searchsorted(self.weights.cumsum(), chance.random(size) * self.weights.sum(), side="right")
        chosen = np.minimum(chosen, len(self.weights) - 1)
        sigma = np.sqrt(self.squares[chosen] / chance.chisquare(self.df, size))
        level = self.level[chosen] + sigma * np.sqrt(self.doubt[chosen]) * chance.standard_normal(size)
        return level, sigma * np.sqrt(self.around[chosen])


def outlook(values: Sequence[float]) -> Outlook:
    """Returns the predictive distribution of the next value of a series whose level is steady, has one step, a linear trend or is a random walk.

    Args:
        values: in time order, any unit, at least 3; only the LATEST are used.

    Raises:
        ValueError: fewer than 3 values.

    Notes:
        Values are independent and normal about the level, with noninformative priors of level and variance. The height of a step and the slope of
        a trend are normal about 0 with each of the sizes above. A step lies k values back with a probability proportional to 1/k, because a
        late step matters most and has the least data. The random walk is the local level model. One change is modelled; several fit the random
        walk. Averaging keeps early values of a steady series and discards them as fast as a step contradicts them.

        A change of about one standard deviation within the last few values is not detectable; the loss of coverage is simulated in
        tests/promises/purchasing.py.

    Reference:
        Bayesian model averaging: Hoeting, Madigan, Raftery and Volinsky 1999, Statistical Science 14, 382-417. One change point: Smith 1975,
        Biometrika 62, 407-416. Local level: Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, 4.1; Durbin and
        Koopman 2001, Time Series Analysis by State Space Methods, chapter 2 (all from memory).

    Example:
        >>> found = outlook([1.0, 1.2, 0.9, 1.1, 1.0, 3.1, 2.9, 3.0, 3.1, 2.9])
        >>> round(found.probability("step"), 2), found.change("step")
        (1.0, (5, 5))
    """
    if len(values) < 3:
        raise ValueError(f"a prediction requires at least 3 values, got {len(values)}")
    return _outlook(tuple(values[-LATEST:]), len(values))


@lru_cache(maxsize=128)  # most series have no new lot between two requests; at most 0.15 MB each
def _outlook(latest: tuple[float, ...], of: int) -> Outlook:
    """Returns the predictive distribution from the latest of `of` values."""
    y = np.asarray(latest, dtype=float)
    n = len(y)
    fixed, moving = _along_shapes(y), _wandering(y)
    columns = [np.concatenate(pair) for pair in zip(fixed[:5], moving, strict=True)]
    log_weight, level, doubt, around, squares = columns
    squares = np.maximum(squares, n * (_NO_SCATTER * max(1.0, float(np.abs(y).max()))) ** 2)
    log_weight = log_weight - (n - 1) / 2 * np.log(squares)
    weights = np.exp(log_weight - log_weight.max())
    kinds = np.concatenate([fixed[5], np.repeat("wandering", len(WANDERING))])
    begins = np.concatenate([fixed[6], np.repeat(-1, len(WANDERING))])
    begins = np.where(begins < 0, -1, begins + of - n)
    return Outlook(weights / weights.sum(), level, doubt, around, squares, n - 1, kinds, begins)


def _along_shapes(y: Array) -> tuple[Array, Array, Array, Array, Array, NDArray[np.str_], NDArray[np.int64]]:
    """Returns the models whose level is a mean plus one shape of unknown height: none, a step, or a ramp.

    The regression of y on a centred shape x is b = (x y) / h, h the sum of squares of x. With a normal prior of variance c for the height (in units
    of the error variance) b is shrunk by c h / (1 + c h), and the marginal likelihood is divided by sqrt(1 + c h).
    """
    n = len(y)
    t = np.arange(n, dtype=float)
    starts = np.arange(1, n)
    step_ago, slope_starts = 1 / (n - starts), np.arange(n - 1)
    shapes = np.concatenate(
        [
            np.zeros((1, n)),
            np.repeat((t >= starts[:, None]).astype(float), len(STEPS), axis=0),
            np.repeat(np.maximum(0.0, t - slope_starts[:, None] + 1), len(SLOPES), axis=0),
        ]
    )
    ahead = np.concatenate([[0.0], np.ones(len(starts) * len(STEPS)), np.repeat(n - slope_starts + 1.0, len(SLOPES))])
    size = np.concatenate([[0.0], np.tile(np.square(STEPS), n - 1), np.tile(np.square(SLOPES), n - 1)])
    prior = np.concatenate(
        [
            [PRIOR["steady"]],
            np.repeat(PRIOR["step"] * step_ago / step_ago.sum() / len(STEPS), len(STEPS)),
            np.full((n - 1) * len(SLOPES), PRIOR["trend"] / (n - 1) / len(SLOPES)),
        ]
    )
    middle = shapes.mean(axis=1)
    shapes -= middle[:, None]
    h = np.einsum("ij,ij->i", shapes, shapes)
    apart = y - y.mean()
    b = shapes @ apart / np.where(h > 0, h, 1.0)
    grown = 1 + size * h
    squares = apart @ apart - b * b * h * (size * h / grown)
    log_weight = np.log(prior) - np.log(grown) / 2 - math.log(n) / 2
    level = y.mean() + b * size * h / grown * (ahead - middle)
    doubt = 1 / n + (ahead - middle) ** 2 * size / grown
    kinds = np.repeat(["steady", "step", "trend"], [1, len(starts) * len(STEPS), len(slope_starts) * len(SLOPES)])
    begins = np.concatenate([[-1], np.repeat(starts, len(STEPS)), np.repeat(slope_starts, len(SLOPES))])
    return log_weight, level, doubt, np.ones_like(level), squares, kinds, begins


def _wandering(y: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Returns the local level models, by the Kalman filter with a diffuse initial level."""
    variances = np.square(WANDERING)
    prior = np.full(len(variances), PRIOR["wandering"] / len(variances))
    level, doubt, squares, log_size = local_level(y, variances)
    return np.log(prior) - log_size / 2, level, doubt, 1 + variances, squares


def local_level(y: Array, variances: Array) -> tuple[Array, Array, Array, Array]:
    """Returns level, its variance, sum of squares and log determinant of local level models after the last value.

    Args:
        y: the series, at least one value.
        variances: of the level's increment per value, in units of the variance about the level; one model each, >= 0.

    Returns:
        The filtered level; its variance in the same units; the sum of squared one-step prediction errors over their variances in these units,
        in the unit of y squared; the sum of the logarithms of these variances.

    Reference:
        Durbin and Koopman 2001, Time Series Analysis by State Space Methods, 2.2 and 2.9 (concentrated likelihood), from memory.

    Example:
        >>> level, doubt, *_ = local_level(np.array([1.0, 2.0, 3.0]), np.array([0.0]))
        >>> level.round(6).tolist(), doubt.round(6).tolist()
        ([2.0], [0.333333])
    """
    level, doubt = np.full(len(variances), y[0]), np.ones(len(variances))
    squares, log_size = np.zeros(len(variances)), np.zeros(len(variances))
    for value in y[1:].tolist():
        ahead = doubt + variances
        size = ahead + 1
        error = value - level
        doubt = ahead / size
        level = level + doubt * error
        squares += error * error / size
        log_size += np.log(size)
    return level, doubt, squares, log_size
