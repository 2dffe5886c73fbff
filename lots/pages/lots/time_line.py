"""The time line of a lot: decisions, concessions, re-inspections and substitutes, the newest first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.domain.words import hyphenated, listed
from lots.services.documents.report_words import DECISION_WORDS


@dataclass(frozen=True, slots=True)
class Moment:
    """One line of the time line: time, person, event, reason, the status after it, and the revisions."""

    at: datetime
    by: str
    what: str
    reason: str
    standing: str = ""
    revisions: str = ""


def time_line(
    decisions: Iterable[Mapping[str, Any]],
    concessions: Iterable[Mapping[str, Any]],
    inspections: Iterable[Mapping[str, Any]],
    deliveries: Iterable[Mapping[str, Any]],
    characteristics: Mapping[str, str],
) -> list[Moment]:
    """Returns the history of a lot, the newest first.

    Args:
        decisions, concessions, inspections: in the order they were recorded.
        deliveries: with the substitutes accepted for their drawn spools.
        characteristics: titles by name.
    """
    found = [
        *map(_decision, decisions),
        *(moment for one in concessions for moment in _concession(one)),
        *(_inspection(one, characteristics) for one in inspections),
        *(_substitute(one) for part in deliveries for one in part["substitutes"]),
    ]
    # Of entries with the same time, the last recorded comes first.
    return sorted(found, key=lambda moment: moment.at)[::-1]


def _decision(one: Mapping[str, Any]) -> Moment:
    limits, shade = one["limits_revision"], one["shade_revision"]
    named = [
        *([] if limits is None else [f"limits revision {limits}"]),
        *([] if shade is None else [f"reference revision {shade}"]),
    ]
    what = DECISION_WORDS.get(one["action"], one["action"].replace("_", " ").capitalize())
    revisions = f"Under {listed(named)}" if named else ""
    return Moment(one["decided_at"], one["decided_by"], what, one["reason"], one["standing"], revisions)


def _concession(one: Mapping[str, Any]) -> Iterator[Moment]:
    name, uses = f"Concession {one['id']}", listed([hyphenated(use) for use in one["uses"]])
    asked = f"{one['reason']} Requested by {one['requested_by']}: {uses}, at most {one['max_mass_g']:.10g} g."
    yield Moment(one["recorded_at"], one["recorded_by"], f"{name} requested", asked)
    if one["approved_at"]:
        yield Moment(one["approved_at"], one["approved_by"], f"{name} approved", f"For {uses}.")
    if one["withdrawn_at"]:
        yield Moment(one["withdrawn_at"], one["withdrawn_by"], f"{name} withdrawn", one["withdrawn_reason"])


def _inspection(one: Mapping[str, Any], characteristics: Mapping[str, str]) -> Moment:
    measured = listed([characteristics[name] for name in one["measure"]])
    return Moment(one["recorded_at"], one["recorded_by"], "Re-inspection requested", f"{measured}. {one['reason']}")


def _substitute(one: Mapping[str, Any]) -> Moment:
    what = f"Spool {one['substitute']} accepted in place of {one['drawn']}"
    return Moment(one["recorded_at"], one["recorded_by"], what, one["reason"])
