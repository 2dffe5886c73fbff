"""Counts of nonconforming spools under an attributes plan, the cap on retests, and discontinued inspection."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import JUDGED, declared_of, said
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.judgement import Measured, ToDo, judge, unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit
from lots.domain.conformity.rule_versions import CURRENT
from lots.domain.receiving import protection
from lots.domain.receiving.coverage import Coverage, Presented
from lots.domain.uncertainty.nested_means import BETWEEN_SPOOLS
from lots.domain.words import plural

# Findings on a single spool. Under a plan they make the spool nonconforming, and the count decides on the lot.
SPOOL_CODES = tuple(code for code, one in JUDGED.items() if one.of_spool)


def counted_by(rules: int) -> tuple[str, ...]:
    """Returns the characteristics whose nonconforming spools a plan counts under this version of the rules."""
    return tuple(dict.fromkeys(declared_of(code).name for code in SPOOL_CODES if JUDGED[code].since <= rules))


def nonconforming_spools(each: Sequence[Finding]) -> dict[str, list[Finding]]:
    """Returns the nonconforming spools with their failing findings.

    Args:
        each: findings on single spools.
    """
    found: dict[str, list[Finding]] = {}
    for finding in each:
        if finding.verdict == "fail":
            found.setdefault(finding.spool, []).append(finding)
    return found


def count_by_plan(
    findings: Sequence[Finding],
    each: Sequence[Finding],
    measured: set[str],
    limits: Limits,
    coverage: Coverage,
    rules: int = CURRENT,
) -> list[Finding]:
    """Returns the lot's findings, where the count of nonconforming spools replaces the findings on single spools.

    A spool that fails any characteristic that a use requires is nonconforming for that use. If their number exceeds the plan's acceptance
    number, the lot fails for the use, whatever its mean is. Otherwise only the spools are rejected.

    Args:
        findings: on the lot, with their uses.
        each: on single spools.
        measured: codes of the spools whose sample is complete.
        limits, coverage: the limits, and the plans of the deliveries.
        rules: version of the rules.

    Reference:
        MIL-STD-105E, 4.9.1 (a unit with one or more nonconformities is one nonconforming unit; number from memory).
    """
    bad, of_spools = nonconforming_spools(each), counted_by(rules)
    counted = []
    for use, needs in limits.required().items():
        asked = [name for name in needs if name in of_spools and name in limits.given]
        failing = {code for code, why in bad.items() if any(f.characteristic in asked for f in why)}
        parts = [_count(part, failing, measured, use) for part in coverage.presented] if asked else []
        if known := [finding for finding in parts if finding is not None]:
            counted.append(worst(known))
    return [*(kept for finding in findings for kept in _defer_to_plan(finding, each)), *_merged(counted)]


def _defer_to_plan(finding: Finding, each: Sequence[Finding]) -> list[Finding]:
    """Returns a failing spool's finding without uses, and the worst open finding on another spool, so that it is not hidden."""
    if finding.code not in SPOOL_CODES or finding.verdict != "fail":
        return [finding]
    open_ones = [f for f in each if f.code == finding.code and f.verdict in ("near", "missing")]
    return [replace(finding, uses=()), *([worst(open_ones)] if open_ones else [])]


def _count(part: Presented, failing: set[str], measured: set[str], use: str) -> Finding | None:
    """Returns the count of one delivery for one use; None while its sample is incomplete and no spool of the lot has failed.

    Without a failing spool, the other findings name the missing readings. With one, the count names them.
    """
    if part.plan is None:
        return None
    count = sum(part.holds(code) for code in failing)
    # Reduced inspection accepts one less than its rejection number and then returns to normal.
    most = part.plan.reject - 1
    size = sum(part.holds(code) for code in measured | failing)
    more = part.still_required(measured) if count <= most else 0
    if more and not failing:
        return None
    not_yet = Coverage((part,)).not_yet(measured)
    lacking = f"measure {more} more {plural(more, 'spool')} of the sample in full{not_yet}" if more else ""
    says = protection.says(part.spools, max(min(size, part.spools), 1), most)
    found = judge(
        "sampling.nonconforming",
        Measured(
            float(count),
            size,
            plural(size, "spool measured", "spools measured"),
            detail=says if count <= most and not lacking else "",
        ),
        Limit(None, float(most), "spools"),
        DecisionRule(),
        todo=ToDo(lacking),
    )
    return replace(found, uses=(use,))


def _merged(findings: Sequence[Finding]) -> list[Finding]:
    """Returns the findings, merging those that differ only in their uses."""
    merged: dict[Finding, tuple[str, ...]] = {}
    for finding in findings:
        bare = replace(finding, uses=())
        merged[bare] = (*merged.get(bare, ()), *finding.uses)
    return [replace(finding, uses=uses) for finding, uses in merged.items()]


def one_spool_is_no_lot(
    findings: Sequence[Finding], measured: Mapping[str, Collection[str]], coverage: Coverage
) -> list[Finding]:
    """Returns the findings, where those on one spool of several are missing instead of pass or near.

    Repeats on one spool do not show the differences between spools, so the guard band of a lot figure is unknown.

    Args:
        findings: on the lot, under guarded acceptance. A failing one is unchanged.
        measured: spools with readings, by characteristic.
        coverage: how many spools the lot has.

    Reference:
        The spool is the sampling unit for statements on a lot (any text on nested sampling); common practice, no source.
    """
    if coverage.spools_in_lot < 2:
        return list(findings)
    return [
        replace(
            finding,
            verdict="missing",
            to_measure=_SECOND_SPOOL_NEEDED.format(said(finding.characteristic)),
            more_spools=1,
        )
        if finding.verdict in ("pass", "near")
        and len(measured[finding.characteristic]) == 1
        and not _includes_spool_differences(finding)
        else finding
        for finding in findings
    ]


def _includes_spool_differences(finding: Finding) -> bool:
    """Returns whether the uncertainty of a lot figure includes the differences between spools from earlier lots."""
    budget = finding.budget
    return budget is not None and any(one.source.startswith(BETWEEN_SPOOLS) for one in budget.contributions)


_SECOND_SPOOL_NEEDED = (
    "measure {} on at least one more spool, since one spool does not show the differences between spools"
)


def cap_retests(rounds: Mapping[str, int], limits: Limits) -> list[Finding]:
    """Returns a finding for each characteristic with more retests than the limits allow.

    All readings count. Beyond the cap, quality decides whether to accept them.

    Args:
        rounds: characteristic -> rounds of readings stored after the evidence was complete and did not pass, without those that quality
            accepted.
        limits: with the greatest permitted number of retests; without one there is no finding.
    """
    most = limits.sampling.retest_rounds_max
    if most is None:
        return []
    return [
        replace(
            judge(
                "sampling.retests",
                Measured(float(count), count, plural(count, "round")),
                Limit(None, float(most), "rounds"),
                DecisionRule(),
                subject=said(characteristic),
                todo=ToDo(hold=f"ask quality to accept the {said(characteristic)} readings (decision: lift)"),
            ),
            uses=limits.used_by(characteristic),
        )
        for characteristic, count in rounds.items()
        if count > most
    ]


def discontinued(coverage: Coverage, limits: Limits) -> list[Finding]:
    """Returns a finding that keeps every use open where a delivery arrived while inspection of its supplier was discontinued."""
    if not any(part.discontinued for part in coverage.presented):
        return []
    waiting = "ask quality to resume inspection of this supplier and grade, discontinued after 5 rejected lots"
    found = unmeasured("sampling.severity", Limit(None, 5.0, "lots"), DecisionRule(), waiting)
    return [replace(found, uses=tuple(limits.required()))]
