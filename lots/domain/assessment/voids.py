"""Readings that are in question: voids by their authors, which wait for the agreement of quality, and readings that wait for a confirmation."""

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

# Common practice, no source: long enough to notice a slip of typing, too short to wait for a verdict.
UNDO_WITHIN = timedelta(minutes=10)

# A failure that turns into nothing measured is a better verdict for a person who wants the failure gone.
_BETTER: Mapping[Verdict, int] = {"fail": 0, "near": 1, "missing": 2, "pass": 3}


def may_undo(recorded_at: datetime, now: datetime) -> bool:
    """Returns whether the author of a reading may still void it; False after the clock was set back.

    Args:
        recorded_at: when the server stored the reading.
        now: the present moment by the same clock.
    """
    return recorded_at <= now <= recorded_at + UNDO_WITHIN


def improves(before: Assessment, after: Assessment) -> bool:
    """Returns whether a void improves anything that a use requires: a finding, a verdict on a use, a spool that fails by itself or is wet.

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

    The lot is judged by the readings that count. Every use that requires a voided characteristic, or whose verdict is better without
    the voided readings, is `missing` at best. A spool that fails by itself with them, or is wet, still is. So an author's void never improves a
    verdict until quality agrees.

    Args:
        without: the assessment without the voided readings.
        counted: the assessment with them.
        waiting: (number, characteristic) of each reading whose void waits.
        limits: the limits revision of both; None when the grade has none.
    """
    if limits is None:
        return without
    improved = _improved_uses(counted, without)
    findings = []
    for number, characteristic in waiting:
        lacking = f"quality's agreement to the void of reading {number}"
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
    """A reading far from its neighbours that nobody confirmed: its number, its characteristic, its spool, and what it measured in words."""

    number: int
    characteristic: str
    spool: str
    says: str

    @property
    def to_do(self) -> str:
        """What is to be done, for the list of things to do, which a semicolon would part."""
        return f"confirm or void reading {self.number}: {self.says} on spool {self.spool}".replace(";", ",")


def hold_unconfirmed(found: Assessment, waiting: Sequence[Waiting], limits: Limits | None) -> Assessment:
    """Returns the assessment of a lot while readings far from their neighbours wait for a confirmation.

    The lot is judged without them, and no finding of their characteristic passes until somebody confirms or voids them. A finding that fails by
    the other readings stays failed. So such a reading neither blocks a lot nor releases it.

    Args:
        found: the assessment without them.
        waiting: the readings.
        limits: the limits revision; None when the grade has none.

    Notes:
        Where a sampling plan counts spools, the count passes for no use that requires the characteristic either.

    Reference:
        Common practice, no source: an implausible value is confirmed before anybody acts on it.
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
    """Returns the assessment of a lot while builds that it was printed in are in doubt.

    The lot is judged without their prints. What these fail passes for no use until quality lifts the doubt or voids them, so that a control print
    never turns a refusal into a release.

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
    lacking = f"quality's decision on {builds}: lift the doubt, or void what was printed in it"
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
    """Code -> the worst verdict of the findings that some use requires."""
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
    """True when some spool need not be measured dry any more, or counts as measured dry at a later moment."""
    if before.wet is None or not before.wet.uses:
        return False
    if after.wet is None or after.wet.at < before.wet.at:
        return True
    return any(spool not in before.dry_at or at > before.dry_at[spool] for spool, at in after.dry_at.items())


def _later(one: Wetness | None, other: Wetness | None) -> Wetness | None:
    known = [wet for wet in (one, other) if wet is not None]
    return max(known, key=lambda wet: wet.at, default=None)


def _failing_spools(found: Assessment) -> set[tuple[str, str]]:
    """(spool, code) of everything that a spool fails by itself and some use requires."""
    each = found.summary.nonconforming.items()
    return {(spool, finding.code) for spool, why in each for finding in why if finding.uses}


def _still_failing(without: Assessment, counted: Assessment) -> dict[str, list[Finding]]:
    """What spools fail without the voided readings, and what they fail with them only."""
    known = {(spool, finding.code) for spool, why in without.summary.nonconforming.items() for finding in why}
    kept = {spool: list(why) for spool, why in without.summary.nonconforming.items()}
    for spool, why in counted.summary.nonconforming.items():
        if more := [finding for finding in why if (spool, finding.code) not in known]:
            kept.setdefault(spool, []).extend(more)
    return kept
