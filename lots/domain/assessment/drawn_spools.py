"""The drawn sample is the sample: what readings of other spools may do, what is asked of drawn ones, and when more are drawn.

The person who measures could choose the good spools of a delivery. So each finding is the worse of two: from the spools that were drawn, and from all
that were measured. Readings of spools that were not drawn may refuse a lot and never release it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lots.domain.assessment.plan_counts import counted_by
from lots.domain.characteristics.registry import said
from lots.domain.conformity.findings import LABELS, Finding, worst
from lots.domain.conformity.limits import Verdict
from lots.domain.conformity.rule_versions import FIRST
from lots.domain.receiving.coverage import Coverage, named

if TYPE_CHECKING:
    from lots.domain.assessment.assessment import Assessment, Evidence
    from lots.domain.assessment.limits_revision import Limits

# Verdicts from the one that refuses to the one that lets pass. A hold keeps a use open as something missing does.
_RANK: dict[Verdict, int] = {"fail": 0, "missing": 1, "near": 2, "pass": 3}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Spools to be drawn from a delivery beyond those drawn before: how many, and why."""

    delivery: int
    more: int
    why: str


def with_others(mine: Assessment, every: Assessment, others: Mapping[str, Sequence[str]]) -> Assessment:
    """Returns the worse of an assessment of the drawn spools and one of all, with a note that says which were not drawn.

    Args:
        mine: from the drawn spools alone.
        every: from all spools that were measured.
        others: characteristic -> spools that were measured although they were not drawn.
    """
    codes = sorted({code for some in others.values() for code in some})
    one = len(codes) == 1
    note = f"{'Spool' if one else 'Spools'} {named(codes)} {'was' if one else 'were'} not drawn for the sample: {'its' if one else 'their'} readings can refuse the lot but never release it."
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
    """Returns, finding by finding, the worse of two assessments of one lot.

    Args:
        drawn: findings from the drawn spools alone, with their uses.
        every: findings from all spools that were measured, under the same limits.

    Notes:
        No use gets a better verdict from the result than from either. Findings are paired by code and uses; where an assessment has several of
        one code, as counts by plan can be, all of both stay.

    Reference:
        This project's design: a sample chosen by the person who measures is no random sample (ISO 2859-1, 8: drawing of samples; number from memory).
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
        # One waits for its remedy, the other for readings: both must be told.
        held, other = (drawn, every) if drawn.hold else (every, drawn)
        return replace(held, to_measure="; ".join(filter(None, (held.to_measure, other.to_measure))))
    # What is missing is to be measured on drawn spools, so those are named.
    return drawn if drawn.verdict == "missing" else worst([drawn, every])


def _rank(finding: Finding) -> int:
    return _RANK["missing"] if finding.hold else _RANK[finding.verdict]


def complete(
    findings: Iterable[Finding],
    coverage: Coverage,
    measured: Mapping[str, Iterable[str]],
    others: Mapping[str, Sequence[str]],
) -> list[Finding]:
    """Returns the findings with the drawn spools that they wait for named.

    Args:
        findings: on the lot.
        coverage: which spools were drawn.
        measured: characteristic -> drawn spools that have readings of it.
        others: characteristic -> spools that were measured although nobody drew them.

    Notes:
        A pass is missing while a further draw was begun and not finished. A finding that wants more spools names those that were drawn for it,
        and says so when none is left to draw.
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
        asked = f"{said(finding.characteristic)} on the other spools of the further draw ({named(left)})"
        return replace(finding, verdict="missing" if finding.verdict == "pass" else finding.verdict, to_measure=asked)
    outstanding = coverage.outstanding(seen)
    if finding.more_spools and coverage.drawn:
        return replace(finding, to_measure=finding.to_measure + _next(outstanding, coverage))
    elsewhere = finding.verdict == "missing" and others.get(finding.characteristic)
    if elsewhere and outstanding and not any(code in finding.to_measure for code in outstanding):
        return replace(finding, to_measure=f"{finding.to_measure} (drawn: {named(outstanding)})")
    return finding


def _next(outstanding: Sequence[str], coverage: Coverage) -> str:
    if outstanding:
        return f" (drawn: {named(outstanding)})"
    if any(part.undrawn for part in coverage.presented):
        return ""
    return ", but no spool of this lot is left to draw, so quality must decide"


def made_up(coverage: Coverage) -> tuple[Wanted, ...]:
    """Returns what must be drawn to make up samples that are smaller than the number required, by delivery."""
    found = []
    for part in coverage.presented:
        short = min(part.required - len(part.sample), part.undrawn)
        if short > 0:
            why = f"The sample needs {part.required} spools; {len(part.sample)} were drawn."
            found.append(Wanted(part.delivery, short, why))
    return tuple(found)


def wanted(
    findings: Sequence[Finding], uses: Mapping[str, Verdict], coverage: Coverage, measured: Mapping[str, Iterable[str]]
) -> tuple[Wanted, ...]:
    """Returns which further spools the program must draw now, by delivery; none while drawn ones are still to be measured for it.

    Args:
        findings: on the lot, with their uses.
        uses: use -> its verdict. A use that is refused wants nothing more.
        coverage: which spools were drawn.
        measured: characteristic -> drawn spools that have readings of it.

    Notes:
        A delivery whose sample is smaller than the number required is made up first: newer limits may ask for more, and a drawn spool may never
        have come. What a finding wants beside that comes from the deliveries with the most spools that were not drawn, one by one.
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
    """Returns notes where other spools were measured than those drawn, which the first version of the rules lets complete the sample."""
    notes = []
    for name in counted_by(FIRST):
        measured = {r.spool for r in evidence.readings[name]} if name in limits.given else set()
        left_out = [code for code in coverage.drawn if code not in measured]
        if not coverage.lacking(dict.fromkeys(measured, 1), 1, "") and left_out and measured - set(coverage.drawn):
            notes.append(
                f"For {said(name)}, other spools were measured than the ones drawn: {', '.join(left_out[:10])} not yet."
            )
    return notes
