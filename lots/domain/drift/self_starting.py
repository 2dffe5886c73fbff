"""Self-starting control charts: each lot is scored against the estimate from the lots before it, so that few lots cause no false alarms."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lots.domain.drift.control_charts import Chart, CusumChart, cusum, ewma, shewhart
from lots.domain.drift.run_rules import run_rules
from lots.domain.statistics.prediction import RunningEstimate

if TYPE_CHECKING:
    import numpy as np

    from lots.domain.drift.baseline import Baseline
    from lots.domain.drift.control_charts import Array, Flags

# Limits of the individuals chart; weight and width of the EWMA; reference value and decision interval of the CUSUM. Common practice for the
# EWMA; Montgomery, Introduction to Statistical Quality Control, 9.1, for the CUSUM (from memory).
INDIVIDUALS_LIMIT = 3.0
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 2.7
CUSUM_REFERENCE, CUSUM_INTERVAL = 0.5, 5.0
# Most lots of a series that update an estimated baseline. Later ones do not, so that it cannot follow a slow drift. No source.
LEARNING_LOTS = 100


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Scores of lots against the estimate valid at their receipt, in sigma of the baseline about its mean; all of one length.

    Args:
        q: normal scores of the lots; equal to z where the baseline was given.
        level: estimated mean for each lot.
        reach: standard error of prediction of each lot about that mean.
        df: degrees of freedom of that standard error; infinite where it is known.
        own: whether each lot belongs to the baseline.
    """

    q: Array
    level: Array
    reach: Array
    df: Array
    own: Flags

    def part(self, start: int, stop: int) -> Scores:
        """Returns the scores of consecutive lots."""
        cut = slice(start, stop)
        return Scores(self.q[cut], self.level[cut], self.reach[cut], self.df[cut], self.own[cut])

    def limits(self) -> tuple[Array, Array]:
        """Returns the limits of each lot on the individuals chart, in sigma of the baseline about its mean."""
        import numpy as np
        from scipy.special import ndtr, stdtrit

        t = np.full(len(self.q), INDIVIDUALS_LIMIT)
        known = np.isinf(self.df)
        t[~known] = -stdtrit(self.df[~known], ndtr(-INDIVIDUALS_LIMIT))
        return self.level - t * self.reach, self.level + t * self.reach


def scores(z: Array, baseline: Baseline) -> Scores:
    """Returns the scores of lots against a baseline.

    For a given baseline the scores are z. An estimated baseline starts with the mean and standard deviation of its lots. A later lot is scored
    by the predictive distribution, and then updates the estimate unless the individuals chart or the EWMA signalled it. The scores of a steady
    series are therefore independent and standard normal from the first lot on.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order.
        baseline: baseline of the charts.

    Notes:
        Each lot of the baseline is scored against the others of them. Scores are exact for normal values with two exceptions: a standard
        deviation from moving ranges has an approximate distribution, and a lot signalled by chance does not update the estimate.

    Reference:
        Quesenberry 1991, J. Quality Technology 23, 213-224; Hawkins 1987, The Statistician 36, 299-315 (both from memory).
    """
    import numpy as np

    n, estimate = len(z), baseline.estimate
    own = np.zeros(n, dtype=bool)
    own[[index for index in baseline.own if index < n]] = True
    q, level, reach, df = np.zeros(n), np.zeros(n), np.ones(n), np.full(n, estimate.df)
    q[own] = _within(z[own], estimate)
    learning = 0 if math.isinf(estimate.df) else min(n, LEARNING_LOTS)
    average, forgotten = 0.0, 1.0
    for index in range(learning):
        level[index], reach[index], df[index] = estimate.mean, estimate.reach, estimate.df
        if own[index]:
            continue
        value = float(z[index])
        score = q[index] = estimate.score(value)
        average += EWMA_WEIGHT * (score - average)
        forgotten *= (1 - EWMA_WEIGHT) ** 2
        limit = EWMA_WIDTH * math.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT) * (1 - forgotten))
        if abs(score) <= INDIVIDUALS_LIMIT and abs(average) <= limit:
            estimate = estimate.with_value(value)
    rest = np.arange(n) >= learning
    level[rest], reach[rest], df[rest] = estimate.mean, estimate.reach, estimate.df
    q[rest & ~own] = estimate.scores(z[rest & ~own])
    return Scores(q, level, reach, df, own)


def _within(z: Array, estimate: RunningEstimate) -> Array:
    """Returns scores of the baseline lots, each against the others: externally studentised residuals.

    Reference:
        Thompson 1935, Annals of Mathematical Statistics 6, 214-219 (from memory): t = r sqrt((n - 2) / (n - 1 - r^2)).
    """
    import numpy as np

    n, df = estimate.n, estimate.df
    r = (z - estimate.mean) / (estimate.sd * math.sqrt((n - 1) / n))
    if df == n - 1:
        # r^2 is at most n - 1, reached when all other lots are equal. It is more where a lot was corrected after freezing the baseline.
        r, df = r * np.sqrt((n - 2) / np.maximum(n - 1 - r**2, 1e-12)), n - 2
    return RunningEstimate(0.0, 1.0, math.inf, df).scores(r)


@dataclass(frozen=True, slots=True, eq=False)
class Charts:
    """One measure of a stretch of lots on every chart.

    Args:
        z: (value - baseline mean) / baseline sigma.
        scores: values plotted on the charts.
        individuals, ewma, cusum: the charts. Baseline lots do not change EWMA and CUSUM.
        rules: whether run rules apply.
    """

    z: np.ndarray
    scores: Scores
    individuals: Chart
    ewma: Chart
    cusum: CusumChart
    rules: bool

    def part(self, start: int, stop: int) -> Charts:
        """Returns the charts restarted for consecutive lots."""
        return chart_lots(self.z[start:stop], self.scores.part(start, stop), rules=self.rules)

    def called(self, side: int) -> dict[str, np.ndarray]:
        """Returns the lots signalled by each chart and run rule on one side (0 for patterns without a side), in order of precedence."""
        import numpy as np

        remembering = ~self.scores.own
        calls: dict[str, np.ndarray] = {}
        if side:
            up = side > 0
            calls["individuals"] = self.individuals.above if up else self.individuals.below
            calls["ewma"] = remembering & (self.ewma.above if up else self.ewma.below)
            calls["cusum"] = remembering & (self.cusum.above if up else self.cusum.below)
        if self.rules:
            # N1 equals the individuals chart.
            calls |= {rule: marks for rule, marks in run_rules(self.scores.q, side).items() if rule != "N1"}
        return calls or {"none": np.zeros(len(self.z), dtype=bool)}


def chart_lots(z: Array, scored: Scores, *, rules: bool) -> Charts:
    """Returns the charts of lots, started at the first of them."""
    later = ~scored.own
    average = ewma(scored.q[later], EWMA_WEIGHT, EWMA_WIDTH)
    sums = cusum(scored.q[later], CUSUM_REFERENCE, CUSUM_INTERVAL)
    if scored.own.any():
        # Index of each lot, or of the last one before it, among the lots outside the baseline.
        at = later.cumsum() - 1
        first = EWMA_WIDTH * EWMA_WEIGHT
        average = Chart(
            _carried(average.statistic, at, 0.0),
            _carried(average.upper, at, first),
            _carried(average.lower, at, -first),
        )
        sums = CusumChart(_carried(sums.high, at, 0.0), _carried(sums.low, at, 0.0), CUSUM_INTERVAL)
    return Charts(z, scored, shewhart(scored.q, INDIVIDUALS_LIMIT), average, sums, rules)


def _carried(values: Array, at: np.ndarray, before: float) -> Array:
    """Returns the values at these indices, `before` where an index is -1."""
    import numpy as np

    return np.asarray(np.concatenate([[before], values])[at + 1])
