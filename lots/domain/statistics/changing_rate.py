"""Bayesian change-point model of a success rate: the predictive probability of the next success, averaged over change points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lots.domain.statistics.proportions import Interval

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Least verdicts for a change point, and prior probability of a change: chosen by simulation (tests/promises/purchasing.py), no source.
LEAST_VERDICTS, CHANGED = 8, 0.3


@dataclass(frozen=True, slots=True)
class Rate:
    """Posterior distribution of the present success rate: a mixture of beta distributions with parameters `good` and `bad`.

    `changed` is the posterior probability of a change. `always` is the verdict where all verdicts agree, else None.
    """

    weights: Array
    good: Array
    bad: Array
    changed: float
    always: bool | None

    @property
    def mean(self) -> float:
        """The predictive probability that the next verdict is good."""
        return float(self.weights @ (self.good / (self.good + self.bad)))

    def interval(self, confidence: float = 0.95) -> Interval:
        """Returns the equal-tailed credible interval of the rate; it reaches 1 if every verdict was good, and 0 if every one was bad."""
        from scipy.optimize import brentq
        from scipy.special import betainc

        def end(probability: float) -> float:
            return float(brentq(lambda rate: self.weights @ betainc(self.good, self.bad, rate) - probability, 0.0, 1.0))

        tail = (1 - confidence) / 2
        low = 0.0 if self.always is False else end(tail)
        return Interval(low, 1.0 if self.always else end(1 - tail), confidence)

    @property
    def unchanged(self) -> float:
        """The predictive probability without a change."""
        return float(self.good[0] / (self.good[0] + self.bad[0]))

    def draw(self, chance: np.random.Generator, size: int) -> Array:
        """Returns draws of the present rate from the posterior."""
        chosen = chance.choice(len(self.weights), size, p=self.weights)
        return np.asarray(chance.beta(self.good[chosen], self.bad[chosen]))


def changing_rate(verdicts: Sequence[bool]) -> Rate:
    """Returns the posterior of the present success rate from verdicts in time order.

    Args:
        verdicts: at least one.

    Raises:
        ValueError: no verdict.

    Notes:
        Rates before and after a change have Jeffreys' prior each. All change points have equal prior probability. With fewer than LEAST_VERDICTS
        verdicts the result is Jeffreys' posterior of all. A drop within the last few verdicts is not detectable yet.

    Reference:
        Smith 1975, Biometrika 62, 407-416, section on binomial sequences (from memory); Brown, Cai and DasGupta 2001, Statistical Science 16,
        101-133, for the prior.

    Example:
        >>> steady, fell = changing_rate([True] * 20), changing_rate([True] * 14 + [False] * 6)
        >>> round(steady.mean, 2), round(fell.mean, 2), round(fell.changed, 2)
        (0.97, 0.08, 1.0)
    """
    n = len(verdicts)
    if not n:
        raise ValueError("a rate requires at least one verdict")
    good = np.cumsum(verdicts)
    whole = np.array([float(good[-1])])
    before = np.arange(1, n if n >= LEAST_VERDICTS else 1)
    early = good[before - 1].astype(float)
    late, after = good[-1] - early, n - before
    logs = np.concatenate(
        [
            np.log(1 - CHANGED) + _log_mixture(whole, np.array([n])),
            np.log(CHANGED / max(1, n - 1)) + _log_mixture(early, before) + _log_mixture(late, after),
        ]
    )
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    hits, sizes = np.concatenate([whole, late]), np.concatenate([[n], after])
    always = bool(verdicts[0]) if good[-1] in (0, n) else None
    return Rate(weights, hits + 0.5, sizes - hits + 0.5, float(weights[1:].sum()), always)


def _log_mixture(good: Array, n: NDArray[np.int64]) -> Array:
    """Returns the log marginal likelihood of these verdicts under Jeffreys' prior."""
    from scipy.special import betaln

    return np.asarray(betaln(good + 0.5, n - good + 0.5) - betaln(0.5, 0.5))
