"""Baseline of a supplier's lots: mean and standard deviation, given, from chosen lots, or from the first lots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.control_charts import individuals, moving_range_df
from lots.domain.drift.trend import TREND_ALPHA, mann_kendall
from lots.domain.statistics.prediction import RunningEstimate

# Least lots of a provisional and of a firm baseline. Common practice, no source.
PROVISIONAL_FROM, FIRM_FROM = 8, 20


@dataclass(frozen=True, slots=True)
class Baseline:
    """Mean and standard deviation of lots, in the measure's unit, from `n` lots (0: given, not measured).

    Args:
        mean: of the lots.
        sigma: standard deviation from the moving range, > 0; the unit of charts and sizes.
        n: number of lots; 0 where both were given and are known.
        chosen: False for the first lots of a series, used until quality chooses.
        steady: False when those lots drift themselves, so that deviations from their mean are underestimated.
        sd: sample standard deviation of the lots; None where unknown, or where a drift of the lots inflates it.
        own: indices of its lots within the charted series.
    """

    mean: float
    sigma: float
    n: int
    chosen: bool
    steady: bool = True
    sd: float | None = None
    own: tuple[int, ...] = ()

    @property
    def status(self) -> str:
        """given, provisional or firm."""
        if self.n == 0:
            return "given"
        return "firm" if self.chosen and self.n >= FIRM_FROM else "provisional"

    @property
    def estimate(self) -> RunningEstimate:
        """Estimate of mean and standard deviation with its uncertainty, in `sigma` about `mean`; exact where given."""
        if self.n == 0:
            return RunningEstimate(0.0, 1.0, math.inf, math.inf)
        if self.sd is None:
            return RunningEstimate(0.0, 1.0, self.n, moving_range_df(self.n))
        return RunningEstimate(0.0, self.sd / self.sigma, self.n, self.n - 1)


def baseline_from(values: Sequence[float], *, chosen: bool, own: Sequence[int] = ()) -> Baseline | None:
    """Returns a baseline from its lots' values; None for fewer than PROVISIONAL_FROM, or for equal values.

    Notes:
        `sigma` is from the moving range, which a slow drift within the baseline hardly inflates; the sample standard deviation would hide the
        drift. The moving range has only two thirds of the efficiency, so limits use the sample standard deviation where the lots show no trend.

    Reference:
        ISO 7870-2, control charts for individuals (from memory); NIST/SEMATECH e-Handbook 6.3.2.2.
    """
    if len(values) < PROVISIONAL_FROM:
        return None
    found = individuals(values)
    if found.sigma <= BINARY_NOISE:
        return None
    steady = mann_kendall(values).p >= TREND_ALPHA
    sd = RunningEstimate.of([value - found.centre for value in values]).sd if steady else None
    return Baseline(found.centre, found.sigma, len(values), chosen, steady, sd, tuple(own))
