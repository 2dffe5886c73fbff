"""Which of many series to report: a probability per series, and a list of which a stated share is false on average."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from lots.domain.conformity.limits import BINARY_NOISE
from lots.domain.drift.baseline import PROVISIONAL_FROM, Baseline
from lots.domain.statistics.false_discovery import discoveries
from lots.domain.statistics.quantiles import student_p

if TYPE_CHECKING:
    from lots.domain.conformity.limits import Limit
    from lots.domain.drift.control_charts import Array
    from lots.domain.drift.drift_analysis import Analysis
    from lots.domain.drift.signals import Signal
    from lots.domain.drift.trend import MannKendall

# So few lots before the latest ones tell where a series was: all but the latest of a baseline's least number.
LEAST_BEFORE = PROVISIONAL_FROM - 1
# Of the series on a list, the share that may be steady ones, on average. Common practice, no source.
FALSE_DISCOVERY_RATE = 0.1
# Of steady series at most this share has an active signal at its 20th lot, and at most this share had one at some lot up to then, without
# and with run rules. As simulated in tests/promises/charts.py, whatever the baseline.
RATED_AT_LOT, ACTIVE_AT_MOST = 20, 0.05
EVER_AT_MOST, EVER_WITH_RULES_AT_MOST = 0.15, 0.3


# Why a list leaves out a signal: the last one where chance among so many series makes as small a p-value.
Reason = Literal["ended", "pattern", "improvement", "small", "chance"]


def p_value(z: Array | None, baseline: Baseline | None, trend: MannKendall | None) -> float | None:
    """Returns how likely a steady series is to end as far from where it was, or to show as strong a trend: small where it moved.

    The latest 1, 2, 4, 8, ... lots are compared with all lots before them by Student's t for two samples, with a given baseline by its mean and
    standard deviation. The least probability of these tests and of the trend test is multiplied by their number (Bonferroni). So of
    steady series at most a share of p has a p-value of p or less.

    Args:
        z: lots in baseline sigma about the baseline mean, in time order; None without a baseline.
        baseline: what they are charted against; its lots count among those before where they are none of z.
        trend: of the whole series; None with fewer than three lots.

    Returns:
        0..1; None where there are too few lots for any test.

    Notes:
        Charts ask whether to look now, and have a false signal every few hundred lots; this asks how sure it is that a series moved. A series
        that moved long ago, with many lots since, keeps a small p-value.

    Reference:
        Two samples of one of many splits: Worsley 1979, J. American Statistical Association 74, 365-367; Hawkins, Qiu and Kang 2003, J. Quality
        Technology 35, 355-366 (both from memory). Lengths that double lose little and need no table.
    """
    found = [] if trend is None else [trend.p]
    latest = 1
    while z is not None and baseline is not None and len(z) >= latest:
        split = len(z) - latest
        p = _apart(z[:split], z[split:], baseline)
        if p is None:
            break
        found.append(p)
        latest *= 2
    return min(1.0, len(found) * min(found)) if found else None


def _apart(before: Array, after: Array, baseline: Baseline) -> float | None:
    """The two-sided p-value of the difference of two means; None with too few lots before."""
    k, mean = len(after), float(after.mean())
    if baseline.n == 0:
        return student_p(mean * math.sqrt(k), math.inf)
    n, level, squares = len(before), float(before.mean()) if len(before) else 0.0, 0.0
    if n:
        squares = float(((before - level) ** 2).sum())
    if not baseline.own:
        # The baseline's lots are of another time: their mean is 0.
        known = baseline.estimate
        squares += known.df * known.sd**2 + n * known.n / (n + known.n) * level**2
        level, df, n = level * n / (n + known.n), known.df + n, n + int(known.n)
    else:
        df = n - 1.0
    if n < LEAST_BEFORE:
        return None
    squares += float(((after - mean) ** 2).sum())
    df += k - 1
    sd = math.sqrt(squares / df)
    return student_p((mean - level) / (sd * math.sqrt(1 / n + 1 / k)), df) if sd > BINARY_NOISE else 1.0


@dataclass(frozen=True, slots=True)
class Listing:
    """The series of a list: of `looked_at` series that can be told anything of, which are `listed`, in the order in which all were passed."""

    looked_at: int
    listed: tuple[bool, ...]
    rate: float = FALSE_DISCOVERY_RATE

    @property
    def count(self) -> int:
        """How many are listed."""
        return sum(self.listed)


def why_unlisted(signal: Signal, limit: Limit | None) -> Reason | None:
    """Returns why a list of many series never shows a signal, however sure it is; None where it may."""
    if not signal.active:
        return "ended"
    if not signal.side:
        return "pattern"
    if not signal.worsens(limit):
        return "improvement"
    return None if signal.matters(limit) else "small"


def signals_to_report(analysis: Analysis, limit: Limit | None) -> list[Signal]:
    """Returns the active signals of a series that a list may show: no pattern, no improvement, no shift below a tenth of the limit."""
    return [signal for signal in analysis.signals if why_unlisted(signal, limit) is None]


# Which signals of a series, under its limit, a list shows.
Shows = Callable[["Analysis", "Limit | None"], "list[Signal]"]


def listing(
    series: Sequence[tuple[Analysis, Limit | None]],
    rate: float = FALSE_DISCOVERY_RATE,
    shows: Shows = signals_to_report,
) -> Listing:
    """Returns which of many series to list, so that on average at most `rate` of the listed ones are steady.

    Args:
        series: the analysis and the limit of each series looked at: all measures, suppliers and grades of the list.
        rate: the false discovery rate, 0 < rate < 1.
        shows: the signals of a series that the list shows.

    Notes:
        A series without a signal to show counts with a p-value of 1: it is looked at all the same. So the rate holds whichever signals the list
        shows: no p-value is ever lowered. Measures of one lot depend on each other; the rate holds for positive dependence (see `discoveries`).

    Reference:
        Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289-300.
    """
    tested = [number for number, (analysis, _) in enumerate(series) if analysis.p is not None]
    p_values = [_p_of(*series[number], shows) for number in tested]
    listed = {number for number, found in zip(tested, discoveries(p_values, rate), strict=True) if found}
    return Listing(len(tested), tuple(number in listed for number in range(len(series))), rate)


def _p_of(analysis: Analysis, limit: Limit | None, shows: Shows) -> float:
    return analysis.p if analysis.p is not None and shows(analysis, limit) else 1.0
