"""Bond between layers: breaking stress of bars pulled across the layers, alone and against control bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import stdev

from lots.domain.conformity.limits import DecisionRule, Finding, Limit, judge, worst
from lots.domain.statistics.summaries import mean_uncertainty, nested_uncertainty, worst_known


@dataclass(frozen=True, slots=True)
class BondTest:
    """One bar broken across its layers: stress in MPa; `control` for a bar of the control material from the same build.

    `uncertainty` and `resolution` of the testing machine in MPa, None when unknown.
    """

    spool: str
    stress_mpa: float
    control: bool = False
    uncertainty: float | None = None
    resolution: float | None = None


def stress_mpa(force_n: float, area_mm2: float) -> float:
    """Returns breaking stress, force over cross-section, in MPa (N/mm2).

    Args:
        force_n: N, > 0.
        area_mm2: mm2, > 0.

    Reference:
        ISO 527-1, 10.1 (from memory).

    Example:
        >>> stress_mpa(480, 40)
        12.0
    """
    return force_n / area_mm2


@dataclass(frozen=True, slots=True)
class BondSummary:
    """The lot's bars, their mean, weakest and scatter (coefficient of variation); ratio to the control bars, None without any."""

    bars: tuple[BondTest, ...]
    mean_mpa: float
    variation: float | None
    uncertainty: float | None
    control_ratio: float | None
    control_n: int
    ratio_uncertainty: float | None
    scatter: float | None = None

    @property
    def n(self) -> int:
        """Bars of the lot itself."""
        return len(self.bars)

    @property
    def weakest_mpa(self) -> float:
        """Least stress at which a bar of the lot broke, MPa."""
        return min(bar.stress_mpa for bar in self.bars)


def summarise(tests: Sequence[BondTest]) -> BondSummary | None:
    """Returns what the bars of a lot say, or None when no bar of the lot itself was broken.

    A ratio to control bars printed beside them cancels what the printer and the day add; it is sturdier than the MPa.

    Example:
        >>> lot = [BondTest("S", s) for s in (12.1, 10.4, 13.0, 9.2, 11.8)]
        >>> found = summarise(lot + [BondTest("S", 29.5, control=True)])
        >>> round(found.mean_mpa, 2), found.weakest_mpa, round(found.control_ratio, 2)
        (11.3, 9.2, 0.38)
    """
    own = [t for t in tests if not t.control]
    control = [t for t in tests if t.control]
    if not own:
        return None
    stresses = [t.stress_mpa for t in own]
    mean = math.fsum(stresses) / len(own)
    u, scatter = nested_uncertainty(_per_spool(own), _machine(own), _step(own))
    ratio = ratio_u = None
    if control:
        beside = [t.stress_mpa for t in control]
        control_mean = math.fsum(beside) / len(beside)
        ratio = mean / control_mean
        control_u = mean_uncertainty(beside, _machine(control), _step(control))
        if u is not None and control_u is not None:
            ratio_u = ratio * math.hypot(u / mean, control_u / control_mean)
    variation = stdev(stresses) / mean if len(own) > 1 else None
    return BondSummary(tuple(own), mean, variation, u, ratio, len(control), ratio_u, scatter)


def _per_spool(tests: Sequence[BondTest]) -> list[list[float]]:
    groups: dict[str, list[float]] = {}
    for test in tests:
        groups.setdefault(test.spool, []).append(test.stress_mpa)
    return list(groups.values())


def _machine(tests: Sequence[BondTest]) -> float | None:
    return worst_known(t.uncertainty for t in tests)


def _step(tests: Sequence[BondTest]) -> float | None:
    return worst_known(t.resolution for t in tests)


@dataclass(frozen=True, slots=True)
class BondLimits:
    """Floors that a grade's limits set on bond; None sets none."""

    mean_min_mpa: float | None = None
    single_min_mpa: float | None = None
    control_ratio_min: float | None = None
    tests_min: int = 1


def judge_bond(summary: BondSummary | None, limits: BondLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the findings on bond: the mean, the worst single bar (one is enough to refuse), the ratio to the control bars.

    Args:
        summary: None when no bar of the lot was broken.

    Notes:
        A floor met here speaks of the material as printed in a test bar. It never says that a part is safe.
    """
    n = summary.n if summary else 0
    short = limits.tests_min - n
    lacking = (
        f"{short} {'more ' if n else ''}bond {'test' if short == 1 else 'tests'} across the layers" if short > 0 else ""
    )
    counted = "bar" if n == 1 else "bars"
    found = []
    if limits.mean_min_mpa is not None:
        varies = (
            ""
            if summary is None or summary.variation is None
            else f"Scatter {100 * summary.variation:.0f} % of the mean."
        )
        found.append(
            judge(
                "bond.mean",
                summary.mean_mpa if summary else None,
                Limit(limits.mean_min_mpa, None, "MPa"),
                rule,
                n=n,
                counted=counted,
                uncertainty=summary.uncertainty if summary else None,
                scatter=summary.scatter if summary else None,
                detail=varies,
                lacking=lacking,
            )
        )
    if limits.single_min_mpa is not None:
        found.append(_worst_bar(summary, Limit(limits.single_min_mpa, None, "MPa"), rule, counted, lacking))
    if limits.control_ratio_min is not None:
        no_control = (
            ""
            if summary and summary.control_n
            else "control bars printed in the same build and broken beside them, and marked as such"
        )
        found.append(
            judge(
                "bond.control_ratio",
                summary.control_ratio if summary else None,
                Limit(limits.control_ratio_min, None),
                rule,
                n=n,
                counted=counted,
                uncertainty=summary.ratio_uncertainty if summary else None,
                scatter=summary.ratio_uncertainty if summary else None,
                detail=f"Against {summary.control_n} control {'bar' if summary.control_n == 1 else 'bars'}."
                if summary and summary.control_n
                else "",
                lacking="; ".join(part for part in (lacking, no_control) if part),
            )
        )
    return found


def _worst_bar(summary: BondSummary | None, limit: Limit, rule: DecisionRule, counted: str, lacking: str) -> Finding:
    """Judges every bar by itself: under a guard band a bar broken on a coarse machine can be in more doubt than a weaker one."""
    if summary is None:
        return judge("bond.single", None, limit, rule, n=0, counted=counted, lacking=lacking)
    return worst(
        [
            judge(
                "bond.single",
                bar.stress_mpa,
                limit,
                rule,
                n=summary.n,
                counted=counted,
                uncertainty=bar.uncertainty,
                subject=f"spool {bar.spool}",
                lacking=lacking,
                conclusive=True,
                single=True,
            )
            for bar in summary.bars
        ]
    )
