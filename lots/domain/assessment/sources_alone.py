"""Each source by itself: what one instrument, printer or build refuses, readings of another do not release."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import replace
from typing import Any

from lots.domain.characteristics.declaring.case import Case, Part
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.origin import SOURCE_PARTS, Origin, origin_of
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.rule_versions import SECOND

# What tells sources apart: instrument, printer, build of a printer, and all of these together.
_TOLD_BY: tuple[Callable[[Origin], tuple[str, ...]], ...] = (
    lambda origin: origin.source[:1],
    lambda origin: origin.source[1:2],
    lambda origin: origin.source[1:],
    lambda origin: origin.source,
)


def assess_by_source(declared: Characteristic, case: Case) -> Part:
    """Returns what a characteristic adds to the assessment of a lot, each failure by one source alone included.

    Where the readings of a characteristic come from several sources, the readings of each source are judged alone too. A finding that fails by one
    source alone stands, whatever the others add: a mean over two builds must not hide the build that fails.

    Args:
        declared: the characteristic.
        case: the lot, with the readings of every source.

    Notes:
        From version 3 of the rules on. One source is one instrument, one printer, one build of a printer, or all three together. What one source does
        not cover is missing by it alone, so it refuses nothing. A held finding is no refusal. Where only the newest reading of a spool counts,
        older ones are left out first. What is kept of the lot rests on all readings.

    Reference:
        This project's rule, no source.
    """
    whole = declared.assess(case)
    readings = case.readings.get(declared.name, ())
    if case.rules <= SECOND or not case.judging or len({origin_of(one).source for one in readings}) < 2:
        return whole
    if declared.newest:
        readings = _newest(readings)
    alone = []
    for says, some, beside in _sources(readings, case.controls.get(declared.name, ())):
        by_one = replace(
            case,
            readings={**case.readings, declared.name: some},
            controls={**case.controls, declared.name: beside},
        )
        alone.append((says, declared.assess(by_one)))
    findings = _kept(whole.findings, [(says, part.findings) for says, part in alone], lambda one: one.code)
    each = _kept(whole.each, [(says, part.each) for says, part in alone], lambda one: (one.code, one.spool))
    return replace(whole, findings=findings, each=each)


def _newest(readings: Sequence[Any]) -> list[Any]:
    """The newest readings of each spool."""
    latest: dict[str, Any] = {}
    for one in readings:
        latest[one.spool] = max(latest.get(one.spool, one.measured_at), one.measured_at)
    return [one for one in readings if one.measured_at == latest[one.spool]]


def _sources(readings: Sequence[Any], controls: Sequence[Any]) -> list[tuple[str, list[Any], list[Any]]]:
    """Each source in words, its readings, and the controls of the builds that it printed; none where there is one source."""
    found: dict[frozenset[int], tuple[str, list[Any], list[Any]]] = {}
    for of in _TOLD_BY:
        groups: dict[Hashable, list[int]] = {}
        for index, one in enumerate(readings):
            groups.setdefault(of(origin_of(one)), []).append(index)
        if len(groups) < 2:
            continue
        for numbers in groups.values():
            some = [readings[index] for index in numbers]
            builds = {origin_of(one).source[1:] for one in some}
            beside = [one for one in controls if origin_of(one).source[1:] in builds]
            found.setdefault(frozenset(numbers), (_named(some, readings), some, beside))
    return list(found.values())


def _named(some: Sequence[Any], every: Sequence[Any]) -> str:
    """A source in words: what is the same in its readings and differs from others."""
    parts = []
    for index, kind in enumerate(SOURCE_PARTS):
        mine = {origin_of(one).source[index] for one in some}
        if len(mine) == 1 and mine != {origin_of(one).source[index] for one in every}:
            name = mine.pop()
            parts.append(f"{kind} {name}" if name else f"no stated {kind}")
    return ", ".join(parts)


def _kept(
    whole: Sequence[Finding], alone: Iterable[tuple[str, Sequence[Finding]]], key: Callable[[Finding], Hashable]
) -> list[Finding]:
    """The findings by all readings, each with the worst failure by one source alone in its place."""
    failing: dict[Hashable, list[Finding]] = {}
    for says, findings in alone:
        for found in filter(_refuses, findings):
            told = f"{found.detail} By the readings of {says} alone.".strip()
            failing.setdefault(key(found), []).append(replace(found, detail=told))
    kept = []
    for found in whole:
        refusing = failing.pop(key(found), [])
        kept.append(worst(refusing) if refusing and not _refuses(found) else found)
    return [*kept, *(worst(some) for some in failing.values())]


def _refuses(found: Finding) -> bool:
    return found.verdict == "fail" and not found.hold
