"""Pending readings: voids by their authors that wait for quality, implausible readings that wait for confirmation, suspect builds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from lots.domain.assessment.assessment import Assessment, Summary
from lots.domain.assessment.limits_revision import Limits
from lots.domain.assessment.verdicts import standing_of, to_measure, verdicts
from lots.domain.characteristics.moisture import Wetness
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.findings import Finding
from lots.domain.conformity.judgement import unmeasured
from lots.domain.conformity.limits import DecisionRule, Limit, Verdict

# Long enough to notice a typing error, too short to wait for a verdict. Common practice, no source.
UNDO_WITHIN = timedelta(minutes=10)

# `missing` ranks above `fail` and `near`: a void that turns a failure into missing readings is an improvement too.
_BETTER: Mapping[Verdict, int] = {"fail": 0, "near": 1, "missing": 2, "pass": 3}


def may_undo(recorded_at: datetime, now: datetime) -> bool:
    """Returns whether the author of a reading may still void it; False after the clock was set back.

    Args:
        recorded_at: time at which the server stored the reading.
        now: present time by the same clock.
    """
    return recorded_at <= now <= recorded_at + UNDO_WITHIN


def improves(before: Assessment, after: Assessment) -> bool:
    """Returns whether a void improves anything that a use requires: a finding, a verdict, a nonconforming or wet spool.

    Args:
        before: the assessment with the reading.
        after: the assessment without it.
    """
    findings, left = _worst(before.findings), _worst(after.findings)
    if any(_BETTER[left.get(code, "pass")] > _BETTER[verdict] for code, verdict in findings.items()):
        return True
    if _improved_uses(before, after) or _drier(before.summary, after.summary):
        return True
    still = _failing_spools(after)
    return any(failure not in still for failure in _failing_spools(before))


def hold_back(
    without: Assessment, counted: Assessment, waiting: Sequence[tuple[int, str]], limits: Limits | None
) -> Assessment:
    """Returns the assessment of a lot while voids by authors wait for the agreement of quality.

    The lot is assessed without the voided readings. Every use that requires a voided characteristic, or whose verdict improves, is `missing` at
    best. Spools that were nonconforming or wet with the voided readings remain so. An author's void never improves a verdict until quality
    agrees.

    Args:
        without: the assessment without the voided readings.
        counted: the assessment with them.
        waiting: (number, characteristic) of each reading whose void waits for quality.
        limits: the limits revision of both; None when the grade has none.
    """
    if limits is None:
        return without
    improved = _improved_uses(counted, without)
    findings = []
    for number, characteristic in waiting:
        lacking = f"ask quality to approve the void of reading {number}"
        found = unmeasured("sampling.void", Limit(None, 0.0), DecisionRule(), lacking)
        held = [use for use in limits.required() if use in limits.used_by(characteristic) or use in improved]
        findings.append(replace(found, subject=f"reading {number}", uses=tuple(held)))
    concerned = {use for finding in findings for use in finding.uses}
    uses: dict[str, Verdict] = {
        use: "missing" if use in concerned and verdict != "fail" else verdict for use, verdict in without.uses.items()
    }
    to_do = [finding.to_measure for finding in findings if finding.uses]
    return replace(
        without,
        standing=standing_of(uses),
        uses=uses,
        findings=(*without.findings, *findings),
        to_measure=tuple(dict.fromkeys([*without.to_measure, *to_do])),
        summary=replace(
            without.summary,
            nonconforming=_still_failing(without, counted),
            wet=_later(without.summary.wet, counted.summary.wet),
            dry_at={
                spool: min(at, counted.summary.dry_at[spool])
                for spool, at in without.summary.dry_at.items()
                if spool in counted.summary.dry_at
            },
        ),
    )


@dataclass(frozen=True, slots=True)
class Waiting:
    """An unconfirmed reading far from its neighbours: number, characteristic, spool, and its values in words."""

    number: int
    characteristic: str
    spool: str
    says: str

    @property
    def to_do(self) -> str:
        """The next action, without semicolons, which separate actions."""
        return f"confirm or void reading {self.number}: {self.says} on spool {self.spool}".replace(";", ",")


def hold_unconfirmed(found: Assessment, waiting: Sequence[Waiting], limits: Limits | None) -> Assessment:
    """Returns the assessment of a lot while readings far from their neighbours wait for confirmation.

    The lot is assessed without them, and no finding of their characteristic passes until they are confirmed or voided. A finding that fails
    without them still fails. So such a reading neither blocks nor releases a lot.

    Args:
        found: the assessment without them.
        waiting: the readings.
        limits: the limits revision; None when the grade has none.

    Notes:
        Where a sampling plan counts spools, the count does not pass either for uses that require the characteristic.

    Reference:
        Common practice, no source: an implausible value is confirmed before it is used.
    """
    if limits is None or not waiting or not found.findings:
        return found
    to_do: dict[str, list[str]] = {}
    for one in waiting:
        to_do.setdefault(one.characteristic, []).append(one.to_do)
    uses = {use for name in to_do for use in limits.used_by(name)}
    about = [name for name in to_do if any(judged.of_spool for judged in DECLARED[name].judged)]
    counted = "; ".join(part for name in about for part in to_do[name])
    findings = []
    for finding in found.findings:
        lacking = "; ".join(to_do.get(finding.characteristic, ()))
        if finding.code == "sampling.nonconforming" and uses & set(finding.uses):
            lacking = counted
        findings.append(_waits(finding, lacking) if lacking else finding)
    uses_now = verdicts(findings, limits)
    return replace(
        found,
        standing=standing_of(uses_now),
        uses=uses_now,
        findings=tuple(findings),
        to_measure=to_measure(findings),
    )


def hold_doubted(without: Assessment, counted: Assessment, builds: str, limits: Limits | None) -> Assessment:
    """Returns the assessment of a lot while builds of its prints are suspect.

    The lot is assessed without these prints. Findings that fail with them do not pass until quality clears the builds or voids the prints.
    So a control print never turns a rejection into a release.

    Args:
        without: the assessment without the prints.
        counted: the assessment with them.
        builds: the builds in words.
        limits: the limits revision of both; None when the grade has none.

    Reference:
        This project's rule, no source.
    """
    failing = {finding.code for finding in counted.findings if finding.verdict == "fail" and not finding.hold}
    if limits is None or not failing:
        return without
    lacking = f"ask quality to clear {builds} or void its prints"
    findings = [_waits(finding, lacking) if finding.code in failing else finding for finding in without.findings]
    uses = verdicts(findings, limits)
    return replace(
        without,
        standing=standing_of(uses),
        uses=uses,
        findings=tuple(findings),
        to_measure=to_measure(findings),
        summary=replace(without.summary, nonconforming=_still_failing(without, counted)),
    )


def _waits(finding: Finding, lacking: str) -> Finding:
    if finding.verdict == "fail":
        return finding
    before = f"{finding.to_measure}; " if finding.verdict == "missing" and finding.to_measure else ""
    return replace(finding, verdict="missing", to_measure=f"{before}{lacking}", more_spools=0, claimable=None)


def _worst(findings: Sequence[Finding]) -> dict[str, Verdict]:
    """Returns code -> the worst verdict of the findings that some use requires."""
    found: dict[str, Verdict] = {}
    for finding in findings:
        if finding.uses:
            known = found.get(finding.code, "pass")
            found[finding.code] = min(known, finding.verdict, key=_BETTER.__getitem__)
    return found


def _improved_uses(before: Assessment, after: Assessment) -> set[str]:
    return {
        use
        for use, verdict in after.uses.items()
        if use in before.uses and _BETTER[verdict] > _BETTER[before.uses[use]]
    }


def _drier(before: Summary, after: Summary) -> bool:
    """Returns whether some spool no longer needs drying, or counts as dry at a later time."""
    if before.wet is None or not before.wet.uses:
        return False
    if after.wet is None or after.wet.at < before.wet.at:
        return True
    return any(spool not in before.dry_at or at > before.dry_at[spool] for spool, at in after.dry_at.items())


def _later(one: Wetness | None, other: Wetness | None) -> Wetness | None:
    known = [wet for wet in (one, other) if wet is not None]
    return max(known, key=lambda wet: wet.at, default=None)


def _failing_spools(found: Assessment) -> set[tuple[str, str]]:
    """Returns (spool, code) of each finding that a spool fails and some use requires."""
    each = found.summary.nonconforming.items()
    return {(spool, finding.code) for spool, why in each for finding in why if finding.uses}


def _still_failing(without: Assessment, counted: Assessment) -> dict[str, list[Finding]]:
    """Returns the failing findings per spool without the voided readings, and those with them."""
    known = {(spool, finding.code) for spool, why in without.summary.nonconforming.items() for finding in why}
    kept = {spool: list(why) for spool, why in without.summary.nonconforming.items()}
    for spool, why in counted.summary.nonconforming.items():
        if more := [finding for finding in why if (spool, finding.code) not in known]:
            kept.setdefault(spool, []).extend(more)
    return kept
