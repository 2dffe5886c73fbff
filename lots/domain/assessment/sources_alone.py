"""Assessment by source: a failure by one instrument, printer or build is not averaged away by readings of another."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

from lots.domain.characteristics.declaring.case import Case, Part
from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.origin import SOURCE_PARTS, origin_of
from lots.domain.conformity.findings import Finding, worst
from lots.domain.conformity.rule_versions import SECOND

# Up to this many sources are assessed in every combination.
_EVERY_UNION = 5
Source = tuple[str, str, str]


def assess_by_source(declared: Characteristic, case: Case) -> Part:
    """Returns a characteristic's part of the assessment, including each failure by one source alone.

    Where readings come from several sources, each source, and each combination, is also assessed alone. A finding that fails for some sources
    fails for the lot: a mean over two builds must not hide the failing build.

    Args:
        declared: the characteristic.
        case: the lot, with the readings of every source.

    Notes:
        From version 3 of the rules on. A source is one instrument with one build of one printer. Up to five sources are assessed in every
        combination; of more, each alone, all but one, and the first ones together. A held finding is no failure. Where only the newest
        reading of a spool counts, older ones are left out first. Stored figures of the lot come from all readings.

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
    """Returns the newest readings of each spool."""
    latest: dict[str, Any] = {}
    for one in readings:
        latest[one.spool] = max(latest.get(one.spool, one.measured_at), one.measured_at)
    return [one for one in readings if one.measured_at == latest[one.spool]]


def _sources(readings: Sequence[Any], controls: Sequence[Any]) -> list[tuple[str, list[Any], list[Any]]]:
    """Returns combinations of sources: name, readings, and controls of their builds; empty with one source."""
    every = list(dict.fromkeys(origin_of(one).source for one in readings))
    found = []
    for chosen in _unions(every):
        some = [one for one in readings if origin_of(one).source in chosen]
        builds = {source[1:] for source in chosen}
        beside = [one for one in controls if origin_of(one).source[1:] in builds]
        found.append((_named(some, readings), some, beside))
    return found


def _unions(every: Sequence[Source]) -> list[frozenset[Source]]:
    """Returns the sets of sources to assess, smallest first, without the set of all."""
    n = len(every)
    if n <= _EVERY_UNION:
        return [frozenset(some) for size in range(1, n) for some in combinations(every, size)]
    alone = [frozenset([one]) for one in every]
    but_one = [frozenset(every) - one for one in alone]
    first = [frozenset(every[:size]) for size in range(2, n)]
    return list(dict.fromkeys([*alone, *first, *but_one]))


def _named(some: Sequence[Any], every: Sequence[Any]) -> str:
    """Returns the sources in words: each part that differs between the readings, with its names."""
    parts = []
    for index, kind in enumerate(SOURCE_PARTS):
        names = {origin_of(one).source[index]: origin_of(one).named[index] for one in some}
        if names.keys() != {origin_of(one).source[index] for one in every}:
            parts.append(f"{kind} {' and '.join(name or 'not stated' for name in names.values())}")
    return ", ".join(parts)


def _kept(
    whole: Sequence[Finding], alone: Iterable[tuple[str, Sequence[Finding]]], key: Callable[[Finding], Hashable]
) -> list[Finding]:
    """Returns the findings from all readings, each replaced by the worst failure of one source alone."""
    failing: dict[Hashable, list[Finding]] = {}
    for says, findings in alone:
        for found in filter(_refuses, findings):
            told = f"{found.detail} This is from the readings of {says} alone.".strip()
            failing.setdefault(key(found), []).append(replace(found, detail=told))
    kept = []
    for found in whole:
        refusing = failing.pop(key(found), [])
        kept.append(worst(refusing) if refusing and not _refuses(found) else found)
    return [*kept, *(worst(some) for some in failing.values())]


def _refuses(found: Finding) -> bool:
    return found.verdict == "fail" and not found.hold
