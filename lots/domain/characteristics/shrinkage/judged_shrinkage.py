"""Findings on shrinkage: each axis, and its step from the last accepted lot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES, AxisSummary, ShrinkageLimits, shrinkage_percent
from lots.domain.conformity.findings import Finding, decimals_of, shown, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.step_rule import NONE_ACCEPTED, StepRule
from lots.domain.uncertainty.budget import Contribution, Uncertainty
from lots.domain.words import plural


@dataclass(frozen=True, slots=True)
class Start:
    """The last accepted lot as the start of steps in shrinkage, by axis.

    Args:
        percent: its shrinkage, %; an axis without one has no step.
        uncertainty: standard uncertainties, %, where known; they add to that of the step.
        df: their degrees of freedom, where estimated.
        rule: the rule for steps; the target is the middle of the axis's limits.
    """

    percent: Mapping[str, float] = field(default_factory=dict)
    uncertainty: Mapping[str, float] = field(default_factory=dict)
    df: Mapping[str, float] = field(default_factory=dict)
    rule: StepRule = NONE_ACCEPTED

    def of(self, axis: str) -> Uncertainty:
        """Returns the uncertainty of its shrinkage along an axis."""
        df = self.df.get(axis, math.inf)
        return Uncertainty((Contribution(self.uncertainty.get(axis, 0.0), df, "the last accepted lot"),))


NO_START = Start()


def judge_shrinkage(
    summary: Mapping[str, AxisSummary], limits: ShrinkageLimits, rule: DecisionRule, start: Start = NO_START
) -> list[Finding]:
    """Returns the findings on each axis that has limits, and its step from the last accepted lot.

    Args:
        summary: of the tests that count.
        start: the last accepted lot.
    """
    found = []
    for name in AXES:
        if name in limits.percent:
            axis = _along(name, summary.get(name), limits)
            found.append(_judge_axis(axis, limits, rule))
            if limits.step_max_percent is not None and name in start.percent:
                found.append(_judge_step(axis, limits.step_max_percent, limits.percent[name], rule, start))
    return found


@dataclass(frozen=True, slots=True)
class _Axis:
    """One axis of a lot: value, next action, whether enough tests were made, and its line fit where that is too uncertain."""

    name: str
    measured: Measured
    uncertainty: Uncertainty | None
    lacking: str
    complete: bool
    line: AxisSummary | None = None


def _along(name: str, found: AxisSummary | None, limits: ShrinkageLimits) -> _Axis:
    """Returns one axis for assessment. Limits on the material leave out a shrinkage that includes the bead."""
    n = found.n if found else 0
    short = limits.tests_per_axis_min - n
    lacking = (
        f"make {short} {'more ' if n else ''}shrinkage {plural(short, 'specimen')} along {name.upper()}{_aged(limits)}"
    )
    lacking = lacking if short > 0 else ""
    if found is None:
        return _Axis(name, Measured(None, 0, "tests"), None, lacking, short <= 0)
    value: float | None = found.percent
    if found.of and limits.basis == "material" and not found.separated:
        value, lacking = None, "; ".join(part for part in (lacking, found.to_separate) if part)
    measured = Measured(value, n, plural(n, "test"), found.uncertainty, detail=_bead(found))
    return _Axis(name, measured, found.uncertainty, lacking, short <= 0, found.uncertain)


def _judge_axis(axis: _Axis, limits: ShrinkageLimits, rule: DecisionRule) -> Finding:
    limit = Limit(*limits.percent[axis.name], "%")
    finding = judge(f"shrinkage.{axis.name}", axis.measured, limit, rule, todo=ToDo(axis.lacking))
    return finding if axis.line is None else _worse_by_line(finding, axis.line, rule, axis.lacking, axis.complete)


def _judge_step(axis: _Axis, most: float, ends: tuple[float, float], rule: DecisionRule, start: Start) -> Finding:
    """Returns the finding on the step from the last accepted lot, with its limit `most` and the limits `ends` on shrinkage."""
    value, before, u = axis.measured.value, start.percent[axis.name], axis.uncertainty
    step = replace(
        axis.measured,
        value=None if value is None else abs(value - before),
        uncertainty=None if u is None else u.beside(start.of(axis.name)),
        detail="" if value is None else _from_to(before, value),
    )
    found = judge(f"shrinkage.step_{axis.name}", step, Limit(None, most, "%"), rule, todo=ToDo(axis.lacking))
    if value is None:
        return found
    middle = sum(ends) / 2
    return start.rule.judged(found, rule, abs(value - middle), abs(before - middle), "the middle of its limits")


def _worse_by_line(by_singles: Finding, line: AxisSummary, rule: DecisionRule, lacking: str, complete: bool) -> Finding:
    """Returns the worse of a finding and the finding on the line fit that is too uncertain for the limits.

    Wider limits would use the line fit, so under narrower limits it can fail the lot but not pass it. So wider limits never reject a
    lot that narrower limits accept.

    Args:
        by_singles: the finding on the mean of the single shrinkages; without a value where limits are on the material.
        line: shrinkage and bead offset from the line fit.
        rule: simple or guarded acceptance.
        lacking: the next action.
        complete: True where enough tests were made.
    """
    by_line = judge(
        by_singles.code,
        Measured(
            line.percent,
            line.n,
            by_singles.counted,
            uncertainty=line.uncertainty,
            detail=f"{_bead(line)} The uncertainty of this separation is too large for a pass.",
        ),
        by_singles.limit,
        rule,
        todo=ToDo(lacking, conclusive=complete),
    )
    return worst([by_singles, by_line])


def _bead(measured: AxisSummary) -> str:
    """Returns a sentence on the bead in a shrinkage."""
    if measured.offset_mm is not None:
        return (
            f"The width error of the bead ({measured.offset_mm:+z.3f} mm) is removed, since two lengths were measured."
        )
    of = measured.of.replace("side ", "side length of ")
    return f"This shrinkage includes the width error of the bead ({of})." if of else ""


def _from_to(before: float, value: float) -> str:
    """Returns both ends of a step, with enough decimals that their difference agrees with the step shown."""
    least = decimals_of("shrinkage")
    step = shown(abs(value - before), least)
    ends = ((shown(before, digits), shown(value, digits)) for digits in range(least, least + 4))
    agreeing = ((low, high) for low, high in ends if shown(abs(float(high) - float(low)), least) == step)
    low, high = next(agreeing, (f"{before:.9g}", f"{value:.9g}"))
    return f"The step is from {low} % to {high} %."


def _aged(limits: ShrinkageLimits) -> str:
    return "" if limits.age_h is None else f", measured {limits.age_h[0]:g} to {limits.age_h[1]:g} h after printing"


def scales_along(limits: ShrinkageLimits, _: float, __: object) -> list[Scale]:
    """Returns the scales for the shrinkage of one length along each axis."""
    return [
        Scale(
            label=f"Shrinkage along {axis.upper()}",
            limit=limit,
            of=("designed_mm", "measured_mm"),
            how="computed",
            work_out=partial(_shrunk, axis),
            holds_for="the mean of the lot",
        )
        for axis in limits.percent
        if (limit := limits.on(axis)) is not None
    ]


def _shrunk(axis: str, values: Mapping[str, Any]) -> float | None:
    return shrinkage_percent(values["designed_mm"], values["measured_mm"]) if values.get("axis") == axis else None
