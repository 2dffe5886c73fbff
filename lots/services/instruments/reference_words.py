"""What is said of references that age."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.colorimetry.color_difference import Components
from lots.domain.instruments.reference_sessions import SessionComparison
from lots.domain.instruments.reference_stability import Doubt, Movement
from lots.domain.instruments.working_copies import WorkingCopy
from lots.domain.words import counted, moment
from lots.services.views import View


class Told(TypedDict):
    """What a session tells of a plaque."""

    artefact: str
    code: str | None
    compared_with: int | None
    mover: str
    plaque: View | None
    instrument: View | None
    says: str


class DecisionLine(TypedDict):
    """A decision that rests on a plaque in doubt."""

    id: int
    action: str
    standing: str
    decided_at: datetime
    lot_id: int
    supplier_lot: str


class Doubted(TypedDict):
    """A plaque that was found to have moved, with the decisions made since it last agreed, where a session is told."""

    artefact: str
    code: str | None
    revision: int
    since: datetime | None
    found_at: datetime
    until: datetime | None
    says: str
    decisions: NotRequired[list[DecisionLine]]


UNCHANGED = "No decision was changed."
RENEW_MASTER = "Approve a new revision from the master as it is now or from a better one."
RENEW_COPY = "Do not use it: make a new copy of its code beside the master."


def plaque(artefact: str, code: str | None) -> str:
    """Returns a plaque by its name: the master, or working copy W1."""
    return "the master" if code is None else f"{'working ' if artefact == 'copy' else ''}{artefact} {code}"


def told(artefact: str, code: str | None, seen: SessionComparison) -> Told:
    """Returns what a session tells of a plaque, in figures and words."""
    apart = seen.apart
    name = plaque(artefact, code)
    says = f"{name[:1].upper()}{name[1:]}: {seen.says}"
    if apart is not None and apart.plaque.state == "moved":
        says += f" {name[:1].upper()}{name[1:]} reads {_way(apart.plaque.change)} than then, beside the tile."
    if apart is not None and apart.instrument.state == "moved":
        says += " Check the instrument before anything else is read with it."
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
    return f"{direction} (L* {lightness:+.2f}, a* {a:+.2f}, b* {b:+.2f})"


def doubted(shade: str, code: str | None, revision: int, doubt: Doubt) -> str:
    """Returns in a sentence since when a plaque may not have been what it was taken for."""
    name = _name(code)
    since = "" if doubt.since is None else f", and last agreed {moment(doubt.since)}"
    again = "" if doubt.until is None else f" {name} read as before again {moment(doubt.until)}."
    remedy = (
        "a new revision is approved" if code is None else "a new copy of its code or a new revision takes its place"
    )
    return (
        f"{name} of shade {shade}, revision {revision}, was found {moment(doubt.found_at)} to have moved{since}.{again}"
        f" This stands until {remedy}."
    )


def summary(found: Sequence[Told], in_doubt: Sequence[Doubted]) -> str:
    """Returns what a session means as a whole."""
    says = [told["says"] for told in found] or ["The session does not count."]
    for entry in in_doubt:
        made = entry.get("decisions", [])
        lots = len({line["lot_id"] for line in made})
        counts = f"{counted(len(made), 'decision')} on {counted(lots, 'lot')}"
        name = _name(entry["code"])
        says.append(f"Made since {name[:1].lower()}{name[1:]} last agreed: {counts}. {UNCHANGED} {_remedy(entry)}")
    return " ".join(says)


def _name(code: str | None) -> str:
    return "The master" if code is None else f"Working copy {code}"


def _remedy(entry: Doubted) -> str:
    """What to do about a plaque that is in doubt."""
    if entry["until"] is not None:
        return "They were made while nobody could know: look at those lots again."
    if entry["code"] is None:
        return f"{RENEW_MASTER} Then ask to judge these lots again."
    return f"Do not use {entry['code']}: make a new copy of its code beside the master. Verdicts rest on the approved values and not on it."


def offset(copy: WorkingCopy, revision: int, *, newest: bool, moved: bool) -> str:
    """Returns what a working copy is good for."""
    if moved:
        return f"{copy.code} has moved since it was made and no longer stands in for the master. Do not use it: make a new copy of its code."
    if not newest:
        return f"{copy.code} was replaced: a newer copy or a newer revision is there."
    lightness, a, b = copy.offset
    return (
        f"{copy.code} reads L* {lightness:+.2f}, a* {a:+.2f}, b* {b:+.2f} from the master: take that off what it reads, and it"
        f" gives the master's colour. Verdicts stay against the values of revision {revision}."
    )
