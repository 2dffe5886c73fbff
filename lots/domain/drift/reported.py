"""Selection of the drifting series to report, from a p-value per series, at a given false discovery rate."""

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

# Least lots before the latest ones: all but one of a provisional baseline.
LEAST_BEFORE = PROVISIONAL_FROM - 1
# Expected share of steady series on a list. Common practice, no source.
FALSE_DISCOVERY_RATE = 0.1
# Upper bounds of the share of steady series with an active signal at their 20th lot, and with a signal at any lot up to then, without and
# with run rules (simulated in tests/promises/charts.py for all kinds of baseline).
RATED_AT_LOT, ACTIVE_AT_MOST = 20, 0.05
EVER_AT_MOST, EVER_WITH_RULES_AT_MOST = 0.15, 0.3


# Reasons why a list leaves out a signal; "chance" is a p-value above the level of the false discovery rate.
Reason = Literal["ended", "pattern", "improvement", "small", "chance"]


def p_value(z: Array | None, baseline: Baseline | None, trend: MannKendall | None) -> float | None:
    """Returns the p-value of a series against a steady one, small where its latest lots moved or a trend is significant.

    The latest 1, 2, 4, 8, ... lots are compared with all earlier lots by the two-sample t test, or with a given baseline by its mean and standard
    deviation. The smallest p-value of these tests and the trend test is multiplied by their number (Bonferroni), so it is valid.

    Args:
        z: lots in baseline sigma about the baseline mean, in time order; None without a baseline.
        baseline: baseline of the charts; its lots count as earlier lots where they are not part of z.
        trend: of the whole series; None with fewer than three lots.

    Returns:
        0..1; None with too few lots for any test.

    Notes:
        Charts decide when to look, and have a false alarm every few hundred lots. This measures the evidence of a change. A series that
        moved long ago keeps a small p-value.

    Reference:
        Change-point tests: Worsley 1979, J. American Statistical Association 74, 365-367; Hawkins, Qiu and Kang 2003, J. Quality
        Technology 35, 355-366 (both from memory). Doubling lengths lose little power and require no table.
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
    """Returns the two-sided p-value of the difference of two means; None with too few earlier lots."""
    k, mean = len(after), float(after.mean())
    if baseline.n == 0:
        return student_p(mean * math.sqrt(k), math.inf)
    n, level, squares = len(before), float(before.mean()) if len(before) else 0.0, 0.0
    if n:
        squares = float(((before - level) ** 2).sum())
    if not baseline.own:
        # The baseline's lots are not part of z; their mean is 0.
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
    """Selection of series: `looked_at` series have a p-value; `listed` marks the selected ones among all, in the given order."""

    looked_at: int
    listed: tuple[bool, ...]
    rate: float = FALSE_DISCOVERY_RATE

    @property
    def count(self) -> int:
        """Number of listed series."""
        return sum(self.listed)


def why_unlisted(signal: Signal, limit: Limit | None) -> Reason | None:
    """Returns the reason why a list of many series never shows a signal, regardless of its p-value; None where it may."""
    if not signal.active:
        return "ended"
    if not signal.side:
        return "pattern"
    if not signal.worsens(limit):
        return "improvement"
    return None if signal.matters(limit) else "small"


def signals_to_report(analysis: Analysis, limit: Limit | None) -> list[Signal]:
    """Returns the active signals that a list may show: no pattern, no improvement, no departure below a tenth of the tolerance."""
    return [signal for signal in analysis.signals if why_unlisted(signal, limit) is None]


# Function that returns the signals of a series for a list, given its limit.
Shows = Callable[["Analysis", "Limit | None"], "list[Signal]"]


def listing(
    series: Sequence[tuple[Analysis, Limit | None]],
    rate: float = FALSE_DISCOVERY_RATE,
    shows: Shows = signals_to_report,
) -> Listing:
    """Returns the series to list, with at most `rate` of the listed ones steady on average.

    Args:
        series: the analysis and the limit of each series: all measures, suppliers and grades of the list.
        rate: the false discovery rate, 0 < rate < 1.
        shows: the signals of a series that the list shows.

    Notes:
        A series without a signal to show enters with p = 1. The rate therefore holds for any choice of signals, since no p-value is ever
        reduced. Measures of one lot are dependent; the rate holds for positive dependence (see `discoveries`).

    Reference:
        Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57, 289-300.
    """
    tested = [number for number, (analysis, _) in enumerate(series) if analysis.p is not None]
    p_values = [_p_of(*series[number], shows) for number in tested]
    listed = {number for number, found in zip(tested, discoveries(p_values, rate), strict=True) if found}
    return Listing(len(tested), tuple(number in listed for number in range(len(series))), rate)


def _p_of(analysis: Analysis, limit: Limit | None, shows: Shows) -> float:
    return analysis.p if analysis.p is not None and shows(analysis, limit) else 1.0
