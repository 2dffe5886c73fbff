"""Sentences on masters and working copies that age."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.colorimetry.color_difference import Components
from lots.domain.instruments.reference_sessions import SessionComparison
from lots.domain.instruments.reference_stability import Doubt, Movement
from lots.domain.instruments.working_copies import WorkingCopy
from lots.domain.words import counted, moment, plural
from lots.services.views import View


class Told(TypedDict):
    """The result of a session for a plaque."""

    artefact: str
    code: str | None
    compared_with: int | None
    mover: str
    plaque: View | None
    instrument: View | None
    says: str


class DecisionLine(TypedDict):
    """A decision that depends on a plaque in doubt."""

    id: int
    action: str
    standing: str
    decided_at: datetime
    lot_id: int
    supplier_lot: str


class Doubted(TypedDict):
    """A plaque that has moved; for a session, with the decisions made since it last agreed."""

    artefact: str
    code: str | None
    revision: int
    since: datetime | None
    found_at: datetime
    until: datetime | None
    says: str
    decisions: NotRequired[list[DecisionLine]]


UNCHANGED = "No decision was changed."
RENEW_MASTER = "Approve a new revision from this master or from a better one."
RENEW_COPY = "Do not use it. Make a new copy with this code beside the master."


def plaque(artefact: str, code: str | None) -> str:
    """Returns the name of a plaque, such as the master, or working copy W1."""
    return "the master" if code is None else f"{'working ' if artefact == 'copy' else ''}{artefact} {code}"


def told(artefact: str, code: str | None, seen: SessionComparison) -> Told:
    """Returns the result of a session for a plaque, in figures and words."""
    apart = seen.apart
    name = plaque(artefact, code)
    says = f"{name[:1].upper()}{name[1:]}: {seen.says}"
    if apart is not None and apart.plaque.state == "moved":
        says += f" Relative to the tile, {name} is now {_way(apart.plaque.change)}."
    if apart is not None and apart.instrument.state == "moved":
        says += " Check the instrument before further use."
    return {
        "artefact": artefact,
        "code": code,
        "compared_with": seen.since,
        "mover": apart.mover if apart else "cannot tell",
        "plaque": _movement(apart.plaque if apart else None),
        "instrument": _movement(apart.instrument if apart else None),
        "says": says,
    }


def _movement(found: Movement | None) -> View | None:
    if found is None:
        return None
    half = None if found.half_width is None else list(found.half_width)
    return {"state": found.state, "change": list(found.change), "half_width": half}


def _way(change: Sequence[float]) -> str:
    lightness, a, b = change
    direction = Components(lightness, a, b, 0.0, 0.0).direction
    return f"{direction} (L* {lightness:+z.2f}, a* {a:+z.2f}, b* {b:+z.2f})"


def doubted(shade: str, code: str | None, revision: int, doubt: Doubt) -> str:
    """Returns the sentences on the movement of a plaque: found when, last agreed when, flagged until when."""
    since = "" if doubt.since is None else f" It last agreed at {moment(doubt.since)}."
    again = "" if doubt.until is None else f" It agreed again at {moment(doubt.until)}."
    remedy = "a new revision is approved" if code is None else "a new copy with its code or a new revision replaces it"
    return (
        f"{_name(code)} of shade {shade}, revision {revision}, had moved when measured at {moment(doubt.found_at)}."
        f"{since}{again} It stays flagged until {remedy}."
    )


def summary(found: Sequence[Told], in_doubt: Sequence[Doubted]) -> str:
    """Returns the sentences on a whole session."""
    says = [told["says"] for told in found] or ["The session does not count."]
    for entry in in_doubt:
        made = entry.get("decisions", [])
        lots = len({line["lot_id"] for line in made})
        counts = f"{counted(len(made), 'decision')} on {counted(lots, 'lot')}"
        name = _name(entry["code"])
        since = f"since {name[:1].lower()}{name[1:]} last agreed"
        says.append(f"{counts} {plural(len(made), 'was', 'were')} made {since}. {UNCHANGED} {_remedy(entry)}")
    return " ".join(says)


def _name(code: str | None) -> str:
    return "The master" if code is None else f"Working copy {code}"


def _remedy(entry: Doubted) -> str:
    """Returns the remedy for a plaque in doubt."""
    if entry["until"] is not None:
        return "Review these lots."
    if entry["code"] is None:
        return f"{RENEW_MASTER} Then reassess these lots."
    return f"{RENEW_COPY} Assessments use the approved values, not the copy."


def offset(copy: WorkingCopy, revision: int, *, newest: bool, moved: bool) -> str:
    """Returns the sentences on the use of a working copy."""
    if moved:
        return f"{copy.code} has moved and no longer represents the master. {RENEW_COPY}"
    if not newest:
        return f"{copy.code} was replaced by a newer copy or a newer revision."
    lightness, a, b = copy.offset
    return (
        f"{copy.code} differs from the master by L* {lightness:+z.2f}, a* {a:+z.2f}, b* {b:+z.2f}. Subtract this from its"
        f" readings to obtain the master's colour. Assessments use the values of revision {revision}."
    )
