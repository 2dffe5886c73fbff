"""Charts whose baseline is an estimate: each lot is judged by what the lots before it tell, so that few lots give no false alarms."""

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
# So many lots of a series may add to an estimated baseline; later ones never do, or it would follow a slow walk. No source.
LEARNING_LOTS = 100


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """Each lot judged by the estimate that held when it came, in sigma of the baseline about its mean; all of one length.

    Args:
        q: normal scores of the lots; equal to z where the baseline was given.
        level: the mean that each lot was judged by.
        reach: the standard deviation of a lot about that mean, allowing for how well the mean is known.
        df: degrees of freedom of that standard deviation; infinite where it is known.
        own: whether each lot is one that the baseline was made from.
    """

    q: Array
    level: Array
    reach: Array
    df: Array
    own: Flags

    def part(self, start: int, stop: int) -> Scores:
        """Returns the scores of some consecutive lots."""
        cut = slice(start, stop)
        return Scores(self.q[cut], self.level[cut], self.reach[cut], self.df[cut], self.own[cut])

    def limits(self) -> tuple[Array, Array]:
        """Returns between what values each lot was expected on the individuals chart, in sigma of the baseline about its mean."""
        import numpy as np
        from scipy.special import ndtr, stdtrit

        t = np.full(len(self.q), INDIVIDUALS_LIMIT)
        known = np.isinf(self.df)
        t[~known] = -stdtrit(self.df[~known], ndtr(-INDIVIDUALS_LIMIT))
        return self.level - t * self.reach, self.level + t * self.reach


def scores(z: Array, baseline: Baseline) -> Scores:
    """Returns the scores of lots against a baseline.

    A given baseline is known, and the scores are z. An estimated one is held as mean and standard deviation of its lots. A later lot is
    scored by where the next lot of a steady series would lie, and then adds to the estimate unless the individuals chart or the EWMA
    called it. So the scores of a steady series are independent and standard normal from the first lot on, whatever the baseline.

    Args:
        z: (value - baseline mean) / baseline sigma, in time order.
        baseline: what the lots are charted against.

    Notes:
        The lots of the baseline are scored each by all others of them. Scores are exact for normal values but for two things: a moving range
        as standard deviation, of which the distribution is approximate, and a lot that was called by chance and adds nothing.

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
    """Scores of the lots that an estimate was made from, each by all others: externally studentised residuals.

    Reference:
        Thompson 1935, Annals of Mathematical Statistics 6, 214-219 (from memory): t = r sqrt((n - 2) / (n - 1 - r^2)).
    """
    import numpy as np

    n, df = estimate.n, estimate.df
    r = (z - estimate.mean) / (estimate.sd * math.sqrt((n - 1) / n))
    if df == n - 1:
        # r^2 is n - 1 at most, when all other lots are equal; more where a lot was corrected after the baseline was frozen.
        r, df = r * np.sqrt((n - 2) / np.maximum(n - 1 - r**2, 1e-12)), n - 2
    return RunningEstimate(0.0, 1.0, math.inf, df).scores(r)


@dataclass(frozen=True, slots=True, eq=False)
class Charts:
    """One measure of a stretch of lots on every chart.

    Args:
        z: (value - baseline mean) / baseline sigma.
        scores: what the charts plot.
        individuals, ewma, cusum: the charts. The lots of the baseline leave the two that remember as they were.
        rules: run rules are looked at too.
    """

    z: np.ndarray
    scores: Scores
    individuals: Chart
    ewma: Chart
    cusum: CusumChart
    rules: bool

    def part(self, start: int, stop: int) -> Charts:
        """Returns charts begun anew over some consecutive lots."""
        return chart_lots(self.z[start:stop], self.scores.part(start, stop), rules=self.rules)

    def called(self, side: int) -> dict[str, np.ndarray]:
        """Which lots each chart and run rule called on one side, 0 for an odd pattern, in the order in which they are told."""
        import numpy as np

        remembering = ~self.scores.own
        calls: dict[str, np.ndarray] = {}
        if side:
            up = side > 0
            calls["individuals"] = self.individuals.above if up else self.individuals.below
            calls["ewma"] = remembering & (self.ewma.above if up else self.ewma.below)
            calls["cusum"] = remembering & (self.cusum.above if up else self.cusum.below)
        if self.rules:
            # N1 is the individuals chart under another name.
            calls |= {rule: marks for rule, marks in run_rules(self.scores.q, side).items() if rule != "N1"}
        return calls or {"none": np.zeros(len(self.z), dtype=bool)}


def chart_lots(z: Array, scored: Scores, *, rules: bool) -> Charts:
    """Returns the charts of lots, begun at the first of them."""
    later = ~scored.own
    average = ewma(scored.q[later], EWMA_WEIGHT, EWMA_WIDTH)
    sums = cusum(scored.q[later], CUSUM_REFERENCE, CUSUM_INTERVAL)
    if scored.own.any():
        # The index, among the lots that the charts remember, of each lot or of the last before it.
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
    """The values at these indices, `before` where an index is -1."""
    import numpy as np

    return np.asarray(np.concatenate([[before], values])[at + 1])
