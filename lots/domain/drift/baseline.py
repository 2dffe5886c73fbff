"""What a supplier's lots are charted against: a mean and a standard deviation, given, chosen from lots, or that of the first lots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.control_charts import individuals, moving_range_df
from lots.domain.drift.trend import TREND_ALPHA, mann_kendall
from lots.domain.statistics.prediction import RunningEstimate

# Lots that a baseline needs to be used at all, and to be firm. Common practice, no source.
PROVISIONAL_FROM, FIRM_FROM = 8, 20


@dataclass(frozen=True, slots=True)
class Baseline:
    """Mean and standard deviation of a lot, in the measure's unit, from `n` lots (0: given, not measured).

    Args:
        mean: of the lots.
        sigma: standard deviation from the moving range, > 0; the unit of charts and sizes.
        n: lots behind both; 0 where they were given and so are known.
        chosen: False for the first lots of a series, which stand in until somebody chooses.
        steady: False when those lots drift themselves, so that what is measured from their mean is too little.
        sd: ordinary standard deviation of the lots; None where it is not known, or where a drift of the lots inflates it.
        own: indices, within the series that is charted, of the lots it was made from.
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
        """How well mean and standard deviation are known, in `sigma` about `mean`: exactly where they were given."""
        if self.n == 0:
            return RunningEstimate(0.0, 1.0, math.inf, math.inf)
        if self.sd is None:
            return RunningEstimate(0.0, 1.0, self.n, moving_range_df(self.n))
        return RunningEstimate(0.0, self.sd / self.sigma, self.n, self.n - 1)


def baseline_from(values: Sequence[float], *, chosen: bool, own: Sequence[int] = ()) -> Baseline | None:
    """Returns a baseline from its lots' values; None for fewer than PROVISIONAL_FROM, or when they differ by no more than arithmetic does.

    Notes:
        `sigma` comes from the moving range, which a slow walk within the baseline inflates little: the ordinary one would grow with the walk
        and hide it. It wastes a third of what the lots tell, so limits rest on the ordinary one where the lots show no trend.

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
