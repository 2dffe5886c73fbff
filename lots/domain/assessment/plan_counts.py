"""Counting nonconforming spools under an attributes plan, capping retests, and stopping where inspection is discontinued."""

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

# Findings that judge one spool by itself: under a plan they make a spool nonconforming, and the count decides on the lot.
SPOOL_CODES = tuple(code for code, one in JUDGED.items() if one.of_spool)


def counted_by(rules: int) -> tuple[str, ...]:
    """Returns the characteristics whose single spools a plan counts under this version of the rules."""
    return tuple(dict.fromkeys(declared_of(code).name for code in SPOOL_CODES if JUDGED[code].since <= rules))


def nonconforming_spools(each: Sequence[Finding]) -> dict[str, list[Finding]]:
    """Returns the spools that fail a measure of their own, with what they fail.

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
    """Returns the lot's findings with the count of nonconforming spools deciding where single spools did.

    A spool that fails any characteristic a use requires is nonconforming for that use. More of them than the plan accepts refuse the lot
    for it, whatever its mean says; no more than that do not, though the spools themselves stay refused.

    Args:
        findings: on the lot, with their uses.
        each: on single spools.
        measured: codes of the spools whose sample is complete.
        limits, coverage: what was asked, and under which plans the deliveries were presented.
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
    """A failing spool no longer decides on the lot, but must not hide others of which it cannot be told whether they pass."""
    if finding.code not in SPOOL_CODES or finding.verdict != "fail":
        return [finding]
    open_ones = [f for f in each if f.code == finding.code and f.verdict in ("near", "missing")]
    return [replace(finding, uses=()), *([worst(open_ones)] if open_ones else [])]


def _count(part: Presented, failing: set[str], measured: set[str], use: str) -> Finding | None:
    """The count of one delivery for one use; None while its sample is not complete and no spool of the lot has failed.

    Without a failing spool what is still to be measured is asked for by the findings themselves; a failing one leaves that to the count.
    """
    if part.plan is None:
        return None
    count = sum(part.holds(code) for code in failing)
    # Reduced inspection accepts up to one less than its reject number, and goes back to normal.
    most = part.plan.reject - 1
    size = sum(part.holds(code) for code in measured | failing)
    more = part.still_required(measured) if count <= most else 0
    if more and not failing:
        return None
    not_yet = Coverage((part,)).not_yet(measured)
    lacking = f"{more} more {plural(more, 'spool')} of the sample measured in full{not_yet}" if more else ""
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
    """One finding for uses that agree in everything else."""
    merged: dict[Finding, tuple[str, ...]] = {}
    for finding in findings:
        bare = replace(finding, uses=())
        merged[bare] = (*merged.get(bare, ()), *finding.uses)
    return [replace(finding, uses=uses) for finding, uses in merged.items()]


def one_spool_is_no_lot(
    findings: Sequence[Finding], measured: Mapping[str, Collection[str]], coverage: Coverage
) -> list[Finding]:
    """Returns findings of which none passes for a lot of several spools on the readings of one.

    Repeats on one spool show how they scatter, not how spools differ, so that the guard band of a figure of the lot is not known.

    Args:
        findings: on the lot, under the guarded rule. One that fails stays as it is.
        measured: spools with readings, by characteristic.
        coverage: how many spools the lot has.

    Reference:
        The spool is the sampling unit for statements on a lot (any text on nested sampling); common practice, no source.
    """
    if coverage.spools_in_lot < 2:
        return list(findings)
    return [
        replace(finding, verdict="missing", to_measure=_SECOND.format(said(finding.characteristic)), more_spools=1)
        if finding.verdict in ("pass", "near")
        and len(measured[finding.characteristic]) == 1
        and not _lot_known(finding)
        else finding
        for finding in findings
    ]


def _lot_known(finding: Finding) -> bool:
    """True of a figure of the lot whose uncertainty holds how much spools of earlier lots differed; what judges single spools says nothing of others."""
    budget = finding.budget
    return budget is not None and any(one.source.startswith(BETWEEN_SPOOLS) for one in budget.contributions)


_SECOND = "{} on at least one more spool, since one spool does not show how much spools of this lot differ"


def cap_retests(rounds: Mapping[str, int], limits: Limits) -> list[Finding]:
    """Returns a finding for each characteristic that was measured again more often than the limits allow.

    Measuring until it passes proves nothing. All readings count; after the cap a person of quality decides whether they may stand.

    Args:
        rounds: characteristic -> extra rounds: readings stored when the evidence was complete and did not pass, beyond those that quality
            has let stand.
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
                subject=characteristic,
                todo=ToDo(hold=f"quality's decision on the {characteristic} readings: lift lets them stand"),
            ),
            uses=limits.used_by(characteristic),
        )
        for characteristic, count in rounds.items()
        if count > most
    ]


def discontinued(coverage: Coverage, limits: Limits) -> list[Finding]:
    """Returns a finding that keeps every use open where a delivery came while inspection of its supplier was discontinued."""
    if not any(part.discontinued for part in coverage.presented):
        return []
    waiting = "inspection of this supplier's lots of this grade, discontinued after 5 were refused, resumed by quality"
    found = unmeasured("sampling.severity", Limit(None, 5.0, "lots"), DecisionRule(), waiting)
    return [replace(found, uses=tuple(limits.required()))]
