"""On how many drawn spools a finding must rest: the sample is drawn for every characteristic, not for the one that is measured first."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.conformity.findings import Finding
from lots.domain.receiving.coverage import Coverage, named
from lots.domain.words import plural

Measured = Mapping[str, Collection[str]]


def covered(findings: Sequence[Finding], measured: Measured, limits: Limits, coverage: Coverage) -> list[Finding]:
    """Returns the findings, of which none passes or is near on fewer drawn spools than its characteristic needs, each with the spools it rests on.

    A finding needs as many measured spools as its limits block says (`spools_min`), else as many as its declaration does, and never more than
    the lot has.

    Args:
        findings: on the lot. One that fails stays as it is; one that waits for a decision or a remedy asks for the spools beside it.
        measured: spools with readings that count, by characteristic; controls are no spools of the lot.
        limits: what is asked.
        coverage: which spools were drawn, and how many the sampling asks for.

    Reference:
        ISO 2859-1, 3.1.16 (a sample is the set of items that provides information on the lot; number from memory). The least number for
        each characteristic is common practice, no source.
    """
    return [_covered(finding, measured, limits, coverage) for finding in findings]


def _covered(finding: Finding, measured: Measured, limits: Limits, coverage: Coverage) -> Finding:
    name = finding.characteristic
    if name not in DECLARED:
        return finding
    seen = measured.get(name, ())
    found = replace(finding, spools=len(set(seen)))
    short, left = spools_lacking(seen, spools_asked(name, limits), coverage)
    if not short or finding.verdict == "fail":
        return found
    # Spools that are still to be drawn are named once they are.
    undrawn = max(0, short - len(left)) if coverage.drawn else 0
    wanted = _wanted(name, short, len(set(seen)), () if undrawn else left)
    if finding.verdict == "missing":
        # What names its spools already says all that is to be said.
        told = finding.value is not None or not short > 1 or "spool" in finding.to_measure
        return found if told else replace(found, to_measure=f"{finding.to_measure}; {wanted}", more_spools=undrawn)
    if finding.hold:
        return replace(found, to_measure=f"{finding.to_measure}; {wanted}", more_spools=undrawn)
    return replace(found, verdict="missing", to_measure=wanted, more_spools=undrawn)


def spools_asked(name: str, limits: Limits) -> int | None:
    """Returns on how many drawn spools the findings of a characteristic must rest; None for as many as the sampling asks."""
    asked = limits.asked.get(name, {}).get("spools_min")
    return DECLARED[name].spools_min if asked is None else int(asked)


def spools_lacking(seen: Collection[str], asked: int | None, coverage: Coverage) -> tuple[int, list[str]]:
    """Returns how many more spools must be measured, and the drawn spools that they can be, in the order of the draws.

    Args:
        seen: spools that were measured.
        asked: how many there must be; None for those that the sampling asks for, delivery by delivery.
        coverage: how many spools the lot has, and which were drawn.

    Example:
        >>> spools_lacking({"A"}, 3, Coverage.of(2, 2, ("A", "B")))
        (1, ['B'])
    """
    if asked is None:
        short = sum(part.still_required(seen) for part in coverage.presented)
        return short, [code for part in coverage.presented for code in part.still_drawn(seen)]
    there = sum(part.spools - part.replaced for part in coverage.presented)
    return max(0, min(asked, there) - len(set(seen))), coverage.outstanding(seen)


def _wanted(name: str, short: int, seen: int, left: Sequence[str]) -> str:
    """What is to be measured, and on which spools."""
    spools = f"{short} {'more ' if seen else ''}drawn {plural(short, 'spool')}"
    which = f": {'' if len(left) == short else 'of '}{named(left)}" if left else ""
    return f"{said(name)} on {spools}{which}"


def counted_in_full(name: str, limits: Limits, coverage: Coverage) -> bool:
    """Returns whether a sampling plan waits for this characteristic on the whole sample; not where the limits are content with fewer spools."""
    asked = limits.asked.get(name, {}).get("spools_min")
    return asked is None or asked >= coverage.spools_required
