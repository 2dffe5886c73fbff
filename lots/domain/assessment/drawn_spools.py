"""Drawn samples: the effect of readings on other spools, the next readings on drawn spools, and further draws.

The person who measures could choose good spools. So each finding is the worse of two: from the drawn spools, and from all measured spools.
Readings of spools that were not drawn can reject a lot but never release it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.assessment.plan_counts import counted_by
from lots.domain.characteristics.registry import said
from lots.domain.conformity.findings import LABELS, Finding, worst
from lots.domain.conformity.guard import NOTHING
from lots.domain.conformity.limits import Verdict
from lots.domain.conformity.rule_versions import FIRST
from lots.domain.receiving.coverage import Coverage, named
from lots.domain.words import counted, plural

if TYPE_CHECKING:
    from lots.domain.assessment.assessment import Assessment, Evidence
    from lots.domain.assessment.limits_revision import Limits

# Verdicts from worst to best. A held finding ranks as missing.
_RANK: dict[Verdict, int] = {"fail": 0, "missing": 1, "near": 2, "pass": 3}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Further spools to draw from a delivery: number and reason."""

    delivery: int
    more: int
    why: str


def with_others(mine: Assessment, every: Assessment, others: Mapping[str, Sequence[str]]) -> Assessment:
    """Returns the worse of the assessments of drawn spools and of all spools, with a note on those not drawn.

    Args:
        mine: from the drawn spools alone.
        every: from all measured spools.
        others: characteristic -> measured spools that were not drawn.
    """
    codes = sorted({code for some in others.values() for code in some})
    one = len(codes) == 1
    note = f"{'Spool' if one else 'Spools'} {named(codes)} {'was' if one else 'were'} not drawn for the sample. {'Its' if one else 'Their'} readings can reject the lot but not release it."
    summary = replace(
        mine.summary,
        spool_flow={**every.summary.spool_flow, **mine.summary.spool_flow},
        spool_color={**every.summary.spool_color, **mine.summary.spool_color},
        nonconforming={**every.summary.nonconforming, **mine.summary.nonconforming},
        wet=every.summary.wet,
        dry_at=every.summary.dry_at,
        moisture_at=every.summary.moisture_at,
    )
    findings = tuple(worse_of(mine.findings, every.findings))
    return replace(mine, findings=findings, notes=(*every.notes, note), told=(note,), summary=summary)


def worse_of(drawn: Sequence[Finding], every: Sequence[Finding]) -> list[Finding]:
    """Returns the worse of each pair of findings from two assessments of one lot.

    Args:
        drawn: findings from the drawn spools alone, with their uses.
        every: findings from all measured spools, under the same limits.

    Notes:
        No use gets a better verdict from the result than from either. Findings are paired by code and uses. Where an assessment has several
        of one code, such as counts by plan, all of both are kept.

    Reference:
        This project's rule: a sample chosen by the person who measures is not random (ISO 2859-1, 8: drawing of samples; number from memory).
    """
    found: list[Finding] = []
    for key in dict.fromkeys(_key(finding) for finding in (*drawn, *every)):
        mine, theirs = ([f for f in some if _key(f) == key] for some in (drawn, every))
        if len(mine) == len(theirs) == 1:
            found.append(_worse(mine[0], theirs[0]))
        else:
            found += dict.fromkeys((*mine, *theirs))
    return found


def _key(finding: Finding) -> tuple[str, tuple[str, ...]]:
    return finding.code, finding.uses


def _worse(drawn: Finding, every: Finding) -> Finding:
    mine, theirs = _rank(drawn), _rank(every)
    if mine != theirs:
        return drawn if mine < theirs else every
    if drawn.hold != every.hold:
        # One waits for a remedy, the other for readings, so both actions are given.
        held, other = (drawn, every) if drawn.hold else (every, drawn)
        return replace(held, to_measure="; ".join(filter(None, (held.to_measure, other.to_measure))))
    # Missing readings must come from drawn spools, so the finding that names them is kept.
    return drawn if drawn.verdict == "missing" else worst([drawn, every])


def _rank(finding: Finding) -> int:
    return _RANK["missing"] if finding.hold else _RANK[finding.verdict]


def complete(
    findings: Iterable[Finding],
    coverage: Coverage,
    measured: Mapping[str, Iterable[str]],
    others: Mapping[str, Sequence[str]],
) -> list[Finding]:
    """Returns the findings with the names of the drawn spools that they wait for.

    Args:
        findings: on the lot.
        coverage: which spools were drawn.
        measured: characteristic -> drawn spools with readings.
        others: characteristic -> measured spools that were not drawn.

    Notes:
        A pass becomes missing while a further draw is only partly measured. A finding that needs more spools names those drawn for it, or
        says that no spool is left to draw.
    """
    return [_completed(finding, coverage, measured, others) for finding in findings]


def _completed(
    finding: Finding, coverage: Coverage, measured: Mapping[str, Iterable[str]], others: Mapping[str, Sequence[str]]
) -> Finding:
    seen = measured.get(finding.characteristic)
    if seen is None:
        return finding
    left = coverage.unfinished(seen)
    if left and (finding.verdict == "pass" or finding.more_spools):
        asked = f"measure {said(finding.characteristic)} on the other spools of the further draw ({named(left)})"
        return replace(finding, verdict="missing" if finding.verdict == "pass" else finding.verdict, to_measure=asked)
    outstanding = coverage.outstanding(seen)
    if finding.more_spools and coverage.drawn:
        return replace(finding, to_measure=finding.to_measure + _next(outstanding, coverage, finding.hold))
    elsewhere = finding.verdict == "missing" and others.get(finding.characteristic)
    if elsewhere and outstanding and not any(code in finding.to_measure for code in outstanding):
        return replace(finding, to_measure=f"{finding.to_measure} (drawn: {named(outstanding)})")
    return finding


def _next(outstanding: Sequence[str], coverage: Coverage, held: bool) -> str:
    if outstanding:
        return f" (drawn: {named(outstanding)})"
    if any(part.undrawn for part in coverage.presented):
        return ""
    # A held step asks quality already.
    return (
        " (no spool of this lot is left to draw)"
        if held
        else f", but no spool of this lot is left to draw, so {NOTHING}"
    )


def made_up(coverage: Coverage) -> tuple[Wanted, ...]:
    """Returns the spools to draw for samples that are smaller than required, by delivery."""
    found = []
    for part in coverage.presented:
        short = min(part.required - len(part.sample), part.undrawn)
        if short > 0:
            why = f"The sample needs {counted(part.required, 'spool')}, but only {len(part.sample)} {plural(len(part.sample), 'was', 'were')} drawn."
            found.append(Wanted(part.delivery, short, why))
    return tuple(found)


def wanted(
    findings: Sequence[Finding], uses: Mapping[str, Verdict], coverage: Coverage, measured: Mapping[str, Iterable[str]]
) -> tuple[Wanted, ...]:
    """Returns the further spools to draw now, by delivery; nothing while drawn spools are still to be measured.

    Args:
        findings: on the lot, with their uses.
        uses: use -> its verdict. A use that fails needs no more spools.
        coverage: which spools were drawn.
        measured: characteristic -> drawn spools with readings.

    Notes:
        Samples smaller than required are completed first: newer limits may require more, and a drawn spool may be missing from the delivery.
        Further spools come one by one from the delivery with the most spools not drawn.
    """
    if short := made_up(coverage):
        return short
    left = {part.delivery: part.undrawn for part in coverage.presented}
    asking = [
        f
        for f in findings
        if f.more_spools
        and f.verdict != "pass"
        and any(uses.get(use) != "fail" for use in f.uses)
        and not coverage.outstanding(measured.get(f.characteristic, ()))
    ]
    if not asking:
        return ()
    most = max(asking, key=lambda f: f.more_spools)
    share = dict.fromkeys(left, 0)
    for _ in range(min(most.more_spools, sum(left.values()))):
        fullest = max(left, key=lambda number: left[number])
        left[fullest] -= 1
        share[fullest] += 1
    why = f"{LABELS[most.code]}: {most.to_measure}."
    return tuple(Wanted(number, more, why) for number, more in share.items() if more)


def substituted(evidence: Evidence, limits: Limits, coverage: Coverage) -> list[str]:
    """Returns notes where spools were measured instead of the drawn ones, which version 1 of the rules accepts."""
    notes = []
    for name in counted_by(FIRST):
        measured = {r.spool for r in evidence.readings[name]} if name in limits.given else set()
        left_out = [code for code in coverage.drawn if code not in measured]
        if not coverage.lacking(dict.fromkeys(measured, 1), 1, "") and left_out and measured - set(coverage.drawn):
            notes.append(
                f"For {said(name)}, spools were measured that were not drawn. Drawn but not measured: {named(left_out)}."
            )
    return notes
