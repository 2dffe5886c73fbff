"""Number of drawn spools that each finding requires."""

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
    """Returns the findings with their number of spools; none passes or is near with fewer drawn spools than required.

    The required number is that of the limits block (`spools_min`), else that of the declaration, and at most the spools of the lot.

    Args:
        findings: on the lot. A failing one is unchanged. A held one asks for the spools in addition.
        measured: spools with readings that count, by characteristic, without controls.
        limits: the limits revision.
        coverage: which spools were drawn, and how many the sampling requires.

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
    # Spools that are not drawn yet have no codes to name.
    undrawn = max(0, short - len(left)) if coverage.drawn else 0
    wanted = _wanted(name, short, len(set(seen)), () if undrawn else left)
    if finding.verdict == "missing":
        # A sentence that names spools needs no addition.
        complete = finding.value is not None or not short > 1 or "spool" in finding.to_measure
        return found if complete else replace(found, to_measure=f"{finding.to_measure}; {wanted}", more_spools=undrawn)
    if finding.hold:
        return replace(found, to_measure=f"{finding.to_measure}; {wanted}", more_spools=undrawn)
    return replace(found, verdict="missing", to_measure=wanted, more_spools=undrawn)


def spools_asked(name: str, limits: Limits) -> int | None:
    """Returns the required number of drawn spools for a characteristic; None for the number of the sampling."""
    asked = limits.asked.get(name, {}).get("spools_min")
    return DECLARED[name].spools_min if asked is None else int(asked)


def spools_lacking(seen: Collection[str], asked: int | None, coverage: Coverage) -> tuple[int, list[str]]:
    """Returns how many more spools must be measured, and the drawn spools not measured yet, in the order of the draws.

    Args:
        seen: measured spools.
        asked: required number; None for the number of the sampling, by delivery.
        coverage: number of spools of the lot, and which were drawn.

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
    """Returns the action in words, with the spools to measure."""
    some = f"measure {said(name)} on {short} {'more ' if seen else ''}"
    if not left:
        return f"{some}drawn {plural(short, 'spool')}"
    if len(left) <= short:
        return f"{some}drawn {plural(short, 'spool')} ({named(left)})"
    return f"{some}of the drawn spools {named(left)}"


def counted_in_full(name: str, limits: Limits, coverage: Coverage) -> bool:
    """Returns whether a sampling plan needs this characteristic on the whole sample; False where the limits accept fewer spools."""
    asked = limits.asked.get(name, {}).get("spools_min")
    return asked is None or asked >= coverage.spools_required
