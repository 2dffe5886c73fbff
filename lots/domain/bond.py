"""Bond between layers: breaking stress of bars pulled across the layers, alone and against control bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lots.domain.limits import DecisionRule, Finding, Limit, judge
from lots.domain.stats import mean_uncertainty


@dataclass(frozen=True, slots=True)
class BondTest:
    """One bar broken across its layers: stress in MPa; `control` for a bar of the control material from the same build."""

    spool: str
    stress_mpa: float
    control: bool = False
    uncertainty: float | None = None


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
    """Mean, weakest and scatter (coefficient of variation) of a lot's bars; ratio to the control bars, None without any."""

    mean_mpa: float
    weakest_mpa: float
    variation: float | None
    n: int
    uncertainty: float | None
    weakest_uncertainty: float | None
    control_ratio: float | None
    control_n: int
    ratio_uncertainty: float | None


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
    scatter = mean_uncertainty(stresses, 0.0)
    u = mean_uncertainty(stresses, _machine(own))
    ratio = ratio_u = None
    if control:
        beside = [t.stress_mpa for t in control]
        control_mean = math.fsum(beside) / len(beside)
        ratio = mean / control_mean
        control_u = mean_uncertainty(beside, _machine(control))
        if u is not None and control_u is not None:
            ratio_u = ratio * math.hypot(u / mean, control_u / control_mean)
    variation = scatter * math.sqrt(len(own)) / mean if scatter is not None and len(own) > 1 else None
    weakest = min(own, key=lambda t: t.stress_mpa)
    return BondSummary(
        mean, weakest.stress_mpa, variation, len(own), u, weakest.uncertainty, ratio, len(control), ratio_u
    )


def _machine(tests: Sequence[BondTest]) -> float | None:
    known = [t.uncertainty for t in tests if t.uncertainty is not None]
    return max(known) if len(known) == len(tests) else None


@dataclass(frozen=True, slots=True)
class BondLimits:
    """Floors that a grade's limits set on bond; None sets none."""

    mean_min_mpa: float | None = None
    single_min_mpa: float | None = None
    control_ratio_min: float | None = None
    tests_min: int = 1


def judge_bond(summary: BondSummary | None, limits: BondLimits, rule: DecisionRule) -> list[Finding]:
    """Returns the findings on bond: the mean, the weakest bar (one is enough to refuse), the ratio to the control bars.

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
        scatter = (
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
                detail=scatter,
                lacking=lacking,
            )
        )
    if limits.single_min_mpa is not None:
        found.append(
            judge(
                "bond.single",
                summary.weakest_mpa if summary else None,
                Limit(limits.single_min_mpa, None, "MPa"),
                rule,
                n=n,
                counted=counted,
                uncertainty=summary.weakest_uncertainty if summary else None,
                lacking=lacking,
                conclusive=True,
            )
        )
    if limits.control_ratio_min is not None:
        no_control = (
            ""
            if summary and summary.control_n
            else "control bars printed in the same build and broken beside them (control: true)"
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
                detail=f"Against {summary.control_n} control {'bar' if summary.control_n == 1 else 'bars'}."
                if summary and summary.control_n
                else "",
                lacking="; ".join(part for part in (lacking, no_control) if part),
            )
        )
    return found
