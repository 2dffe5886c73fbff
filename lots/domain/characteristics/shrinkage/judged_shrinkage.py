"""Shrinkage held against its limits: each axis, and its step from the last accepted lot."""

from __future__ import annotations

import math
from collections.abc import Mapping

from lots.domain.characteristics.shrinkage.lot_shrinkage import AXES, AxisSummary, ShrinkageLimits
from lots.domain.conformity.findings import Finding, decimals_of, shown, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.step_rule import NONE_ACCEPTED, StepRule
from lots.domain.uncertainty.budget import Contribution, Uncertainty


def judge_shrinkage(
    summary: Mapping[str, AxisSummary],
    limits: ShrinkageLimits,
    rule: DecisionRule,
    previous: Mapping[str, float] | None = None,
    previous_uncertainty: Mapping[str, float] | None = None,
    previous_df: Mapping[str, float] | None = None,
    steps: StepRule = NONE_ACCEPTED,
) -> list[Finding]:
    """Returns the findings on each axis that has limits, and its step from the last accepted lot.

    Args:
        summary: of the tests whose age counts.
        previous: shrinkage in % per axis of the last accepted lot; an axis without one has no step to judge.
        previous_uncertainty: its standard uncertainties in %, where known; they count towards that of the step.
        previous_df: their degrees of freedom, where they were estimated.
        steps: how a step is judged; the target is the middle of the axis's limits, since they name no other.
    """
    found = []
    for axis in AXES:
        if axis not in limits.percent:
            continue
        low, high = limits.percent[axis]
        measured = summary.get(axis)
        n = measured.n if measured else 0
        short = limits.tests_per_axis_min - n
        lacking = (
            f"{short} {'more ' if n else ''}shrink {'test' if short == 1 else 'tests'} along {axis.upper()}{_aged(limits)}"
            if short > 0
            else ""
        )
        counted = "test" if n == 1 else "tests"
        value, u = (measured.percent, measured.uncertainty) if measured else (None, None)
        detail = _bead(measured)
        by_line = None if measured is None else measured.uncertain
        if measured is not None and measured.of and limits.basis == "material" and not measured.separated:
            value, lacking = None, "; ".join(part for part in (lacking, measured.to_separate) if part)
        finding = judge(
            f"shrinkage.{axis}",
            Measured(value, n, counted, uncertainty=u, detail=detail),
            Limit(low, high, "%"),
            rule,
            todo=ToDo(lacking),
        )
        found.append(finding if by_line is None else _worse_by_line(finding, by_line, rule, lacking, short <= 0))
        if limits.step_max_percent is not None and previous is not None and axis in previous:
            step = None if value is None else abs(value - previous[axis])
            detail = "" if value is None else _from_to(previous[axis], value)
            moved = judge(
                f"shrinkage.step_{axis}",
                Measured(
                    step,
                    n,
                    counted,
                    uncertainty=None
                    if u is None
                    else u.beside(_before(axis, previous_uncertainty or {}, previous_df or {})),
                    detail=detail,
                ),
                Limit(None, limits.step_max_percent, "%"),
                rule,
                todo=ToDo(lacking),
            )
            if value is not None:
                now, before = (abs(percent - (low + high) / 2) for percent in (value, previous[axis]))
                moved = steps.judged(moved, rule, now, before, "the middle of its limits")
            found.append(moved)
    return found


def _before(axis: str, uncertainty: Mapping[str, float], df: Mapping[str, float]) -> Uncertainty:
    """The uncertainty of the last accepted lot."""
    return Uncertainty((Contribution(uncertainty.get(axis, 0.0), df.get(axis, math.inf), "the last accepted lot"),))


def _worse_by_line(by_singles: Finding, line: AxisSummary, rule: DecisionRule, lacking: str, complete: bool) -> Finding:
    """Returns the worse of a finding and of the one on the line that is too uncertain for the limits.

    A line that wider limits would take for the shrinkage counts against the lot under narrower ones too, and never for it. So widening limits
    refuses no lot.

    Args:
        by_singles: the finding on the mean of the single shrinkages; without a value where limits are on the material.
        line: shrinkage and bead offset by the line.
        rule: simple or guarded acceptance.
        lacking: what is still to be measured.
        complete: True where enough tests were made.
    """
    by_line = judge(
        by_singles.code,
        Measured(
            line.percent,
            line.n,
            by_singles.counted,
            uncertainty=line.uncertainty,
            detail=f"{_bead(line)} This line is too uncertain for the limits to pass by it.",
        ),
        by_singles.limit,
        rule,
        todo=ToDo(lacking, conclusive=complete),
    )
    return worst([by_singles, by_line])


def _bead(measured: AxisSummary | None) -> str:
    """Whether a shrinkage includes the bead, as a sentence."""
    if measured is None:
        return ""
    if measured.offset_mm is not None:
        return f"Bead offset {measured.offset_mm:+.3f} mm, separated by two lengths."
    return f"This shrinkage includes the bead (measured on {measured.of})." if measured.of else ""


def _from_to(before: float, value: float) -> str:
    """Both ends of a step, with a decimal more where their rounding would make the step another than it is said to be."""
    least = decimals_of("shrinkage")
    step = shown(abs(value - before), least)
    ends = ((shown(before, digits), shown(value, digits)) for digits in range(least, least + 4))
    agreeing = ((low, high) for low, high in ends if shown(abs(float(high) - float(low)), least) == step)
    low, high = next(agreeing, (f"{before:.9g}", f"{value:.9g}"))
    return f"From {low} % to {high} %."


def _aged(limits: ShrinkageLimits) -> str:
    return "" if limits.age_h is None else f", measured {limits.age_h[0]:g} to {limits.age_h[1]:g} h after printing"
