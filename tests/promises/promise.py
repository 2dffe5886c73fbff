"""A promised rate, and its rate in simulated cases."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Rate:
    """A number of simulated cases."""

    hits: int
    of: int

    @property
    def value(self) -> float:
        """The simulated rate, 0..1."""
        return self.hits / self.of

    def interval(self, confidence: float = 0.99) -> tuple[float, float]:
        """Returns the exact binomial interval (Clopper and Pearson 1934, Biometrika 26, 404-413)."""
        from scipy.special import betaincinv

        tail = (1 - confidence) / 2
        low = float(betaincinv(self.hits, self.of - self.hits + 1, tail)) if self.hits else 0.0
        high = float(betaincinv(self.hits + 1, self.of - self.hits, 1 - tail)) if self.hits < self.of else 1.0
        return low, high

    def __str__(self) -> str:
        low, high = self.interval()
        return f"{100 * self.value:.1f} % ({100 * low:.1f} to {100 * high:.1f} %)"


@dataclass(frozen=True)
class Promise:
    """One promised rate.

    `what` says in which case, in one line. `promised` is the promise in words, and `low` and `high` its numbers, 0..1. `before` is what an
    independent simulation found before it was kept. `measure` simulates it anew with a fixed seed, within 20 seconds.
    """

    what: str
    promised: str
    before: str
    measure: Callable[[], Rate]
    low: float = 0.0
    high: float = 1.0

    def kept_by(self, rate: Rate) -> bool:
        """True where the simulated rate, within its noise, lies between `low` and `high`."""
        least, most = rate.interval()
        return least <= self.high and most >= self.low
