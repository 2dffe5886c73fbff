"""Prediction of the next value of a stable normal series, with mean and standard deviation estimated from earlier values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

from lots.domain.statistics.quantiles import student

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# Smallest probability, so that the normal score stays finite.
_LEAST = 1e-300
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class RunningEstimate:
    """Mean and standard deviation of a stable series, estimated from `n` values.

    Args:
        mean: of the values.
        sd: standard deviation of a single value, > 0, in the unit of the values.
        n: number of values of the mean, > 0; infinite for a known mean.
        df: degrees of freedom of `sd`, > 0, not necessarily whole; infinite for a known standard deviation.
    """

    mean: float
    sd: float
    n: float
    df: float

    @property
    def reach(self) -> float:
        """Standard error of prediction of the next value: sd sqrt(1 + 1 / n)."""
        return self.sd * math.sqrt(1 + 1 / self.n)

    def limits(self, confidence: float) -> tuple[float, float]:
        """Returns the prediction interval of the next value: mean ± t sd sqrt(1 + 1 / n).

        Reference:
            Hahn and Meeker 1991, Statistical Intervals, section 4.7 (from memory).

        Example:
            >>> low, high = RunningEstimate(30.0, 0.756, 8, 7).limits(0.9973)
            >>> round(low, 2), round(high, 2)
            (26.37, 33.63)
        """
        half = student(self.df, confidence) * self.reach
        return self.mean - half, self.mean + half

    def score(self, value: float) -> float:
        """Returns the Q statistic (normal score) of the next value: standard normal and independent of earlier scores for a stable series.

        Reference:
            Quesenberry 1991, SPC Q charts for start-up processes and short or long runs, J. Quality Technology 23, 213-224; Hawkins 1987,
            Self-starting CUSUM charts for location and scale, The Statistician 36, 299-315 (both from memory).

        Example:
            >>> round(RunningEstimate(30.0, 0.756, 8, 7).score(33.63), 2)
            3.0
        """
        from scipy.special import stdtr

        t = (value - self.mean) / self.reach
        if math.isinf(self.df):
            return t
        return math.copysign(_NORMAL.inv_cdf(max(float(stdtr(self.df, -abs(t))), _LEAST)), t)

    def scores(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Returns the normal score of each of several values, without updating the estimate."""
        import numpy as np
        from scipy.special import ndtri, stdtr

        t: Any = (values - self.mean) / self.reach
        if math.isinf(self.df):
            return np.asarray(t)
        return np.asarray(np.copysign(ndtri(np.maximum(stdtr(self.df, -np.abs(t)), _LEAST)), t))

    def with_value(self, value: float) -> RunningEstimate:
        """Returns the estimate updated with one value.

        Example:
            >>> RunningEstimate.of([1.0, 2.0]).with_value(3.0) == RunningEstimate.of([1.0, 2.0, 3.0])
            True
        """
        if math.isinf(self.df):
            return self
        apart = value - self.mean
        squares = self.df * self.sd**2 + self.n / (self.n + 1) * apart**2
        return RunningEstimate(
            self.mean + apart / (self.n + 1), math.sqrt(squares / (self.df + 1)), self.n + 1, self.df + 1
        )

    @classmethod
    def of(cls, values: Sequence[float]) -> RunningEstimate:
        """Returns the estimate from at least 2 values."""
        n = len(values)
        mean = math.fsum(values) / n
        return cls(mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1)), n, n - 1)
