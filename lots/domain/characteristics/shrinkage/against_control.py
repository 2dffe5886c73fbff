"""Shrinkage relative to coupons of the control spool in the same build. The effect of the printer cancels."""

from __future__ import annotations

from collections.abc import Sequence

from lots.domain.characteristics.declaring.control_difference import (
    control_difference,
    judge_difference,
    lacking_control,
)
from lots.domain.characteristics.declaring.estimate import OWN, Estimate
from lots.domain.characteristics.shrinkage.lot_shrinkage import ShrinkageLimits, ShrinkTest
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.limits import DecisionRule


def judge_against_control(
    tests: Sequence[ShrinkTest],
    controls: Sequence[ShrinkTest],
    limits: ShrinkageLimits,
    rule: DecisionRule,
    estimate: Estimate = OWN,
) -> list[Finding]:
    """Returns the findings on the difference from the control, one per axis with limits; empty without such a limit.

    Only coupons of one build, designed length and feature are compared, so that the printer's scale and the bead cancel.

    Args:
        tests: coupons of the lot that count.
        controls: coupons of the control spool.
        limits: on shrinkage.
        rule: simple or guarded acceptance.
        estimate: method and earlier data for the uncertainty of means.

    Reference:
        Printers differ by 0.1 to 0.2 % (common practice, no source), which cancels within one build.
    """
    if limits.control_difference_max_percent is None:
        return []
    beside = [test for test in controls if limits.counts(test)]
    found = []
    for axis in limits.percent:
        own, other = ([test for test in some if test.axis == axis] for some in (tests, beside))
        lacking = lacking_control(own, other, _alike, f"a coupon along {axis.upper()}")
        apart = control_difference(own, other, lambda test: test.percent, _alike, _percent_per_mm, estimate)
        most = limits.control_difference_max_percent
        found.append(judge_difference(f"shrinkage.control_{axis}", apart, most, "%", rule, lacking))
    return found


def _percent_per_mm(test: ShrinkTest) -> float:
    return 100 / test.designed_mm


def _alike(test: ShrinkTest) -> tuple[str, float]:
    return (test.feature, test.designed_mm)
