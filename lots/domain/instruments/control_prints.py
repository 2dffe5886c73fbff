"""Control prints of a control spool: a control outside its own chart makes the build suspect."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.statistics.prediction import RunningEstimate

# Least builds for a chart. Common practice for a provisional baseline, no source.
LEAST_BUILDS = 8
# False alarm rate per build, that of limits at three known standard deviations.
_OUTSIDE = 0.0027


@dataclass(frozen=True, slots=True)
class ControlBuild:
    """Means of the control prints of one build, by figure and group of replicates."""

    build: str
    means: Mapping[tuple[Any, ...], float]


@dataclass(frozen=True, slots=True)
class Outside:
    """A figure of a control outside its chart: the mean of its build, and the chart's limits in the same unit, from `n` earlier builds."""

    figure: str
    value: float
    low: float
    high: float
    n: int


def builds_of(declared: Characteristic, readings: Iterable[tuple[str, Any]]) -> list[ControlBuild]:
    """Returns the means of each build's control prints, in the order of the builds.

    Args:
        declared: characteristic; its `repeats` define which readings are averaged.
        readings: (build, reading) of control prints of one printer and recipe.
    """
    found: dict[str, dict[tuple[Any, ...], list[float]]] = {}
    for build, reading in readings:
        kept = found.setdefault(build, {})
        for figure, value, group, _ in declared.repeats.of(reading):
            kept.setdefault((figure, *group), []).append(value)
    return [
        ControlBuild(build, {what: math.fsum(some) / len(some) for what, some in kept.items()})
        for build, kept in found.items()
    ]


def outside_chart(now: ControlBuild, earlier: Sequence[ControlBuild]) -> Outside | None:
    """Returns the figure of a build's control that is furthest outside its chart, None where none is outside.

    The limits are the prediction interval of the next build, from the mean and standard deviation of the earlier ones: mean ± t s sqrt(1 + 1 / n).
    With few builds they are wider than three standard deviations, so that the false alarm rate is 0.27 % per build from the eighth build on,
    shared among its figures (Bonferroni).

    Args:
        now: the build to assess.
        earlier: earlier builds of the same printer and recipe that are not suspect.

    Reference:
        Hawkins 1987, Self-starting CUSUM charts for location and scale, The Statistician 36, 299-315; Quesenberry 1991, SPC Q charts for
        start-up processes and short or long runs, J. Quality Technology 23, 213-224 (both from memory: the Q statistic of an individual
        value is the quantile of this prediction interval).

    Example:
        >>> before = [ControlBuild(f"B{n}", {("bond.stress",): s}) for n, s in enumerate([29, 31, 30, 30, 29, 31, 30, 30])]
        >>> found = outside_chart(ControlBuild("B9", {("bond.stress",): 21.0}), before)
        >>> found.figure, round(found.low, 1)
        ('bond.stress', 26.4)
    """
    found = []
    for what, value in now.means.items():
        values = [one.means[what] for one in earlier if what in one.means]
        limits = _limits(values, 1 - _OUTSIDE / len(now.means))
        if limits is not None and not limits[0] <= value <= limits[1]:
            found.append(Outside(str(what[0]), value, *limits, len(values)))
    return max(
        found, key=lambda one: max(one.low - one.value, one.value - one.high) / (one.high - one.low), default=None
    )


def _limits(values: Sequence[float], confidence: float) -> tuple[float, float] | None:
    """Returns the limits for the next value; None with too few builds, or where all values are equal because of the resolution."""
    if len(values) < LEAST_BUILDS:
        return None
    estimate = RunningEstimate.of(values)
    return estimate.limits(confidence) if estimate.sd > 0 else None
