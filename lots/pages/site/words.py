"""What the API says, in a person's words: its field names as the labels that stand on the pages, uses in words, nothing said twice."""

from __future__ import annotations

import re
from typing import Any

from lots.domain.characteristics.registry import DECLARED

_OF_READINGS = [field for declared in DECLARED.values() for field in declared.fields]
# What the API calls a field, and what a page calls it within a sentence.
_NAMES = {field.name: field.said for field in _OF_READINGS if field.said} | {
    "answered_at": "the time of the answer",
    "answered_by": "who answered",
    "confirm_new_job": "that it is another job",
    "confirm_new_lot": "that it is another lot",
    "confirm_new_machine": "that it is another machine",
    "confirm_spool_count": "that so many spools came",
    "due_at": "the day it is due",
    "filler_kind": "the kind of filler",
    "forbidden_shapes": "the forbidden shapes",
    "forbidden_uses": "the forbidden uses",
    "grade_id": "the grade",
    "instrument_id": "the instrument",
    "load_bearing": "load-bearing",
    "max_mass_g": "the mass",
    "measured_at": "the time of measuring",
    "net_mass_g": "the net mass",
    "observer_deg": "the observer",
    "order_ref": "the order",
    "permitted_uses": "the permitted uses",
    "received_at": "the time of receiving",
    "remaining_mass_g": "what is left on the spool",
    "requested_action": "what is asked",
    "spool_code": "the spool",
    "spool_count": "how many spools",
    "supplier_id": "the supplier",
    "supplier_lot": "the lot number",
    "time_zone": "the time zone",
    "use_by": "the new use-by date",
    "valid_until": "the last day",
}
# Fields whose names are plain words already: only a label is theirs.
_LABELS = {field.name: field.label for field in _OF_READINGS if field.label} | {
    "action": "What",
    "cause": "Cause",
    "characteristic": "Characteristic",
    "evidence": "What it sent along",
    "job": "Job",
    "machine": "Machine",
    "measure": "Measure again",
    "reason": "Why",
    "slots": "Slots",
    "spools": "Spools",
    "use": "What the job asks",
}
_NAME = re.compile(rf"\b(?:{'|'.join(sorted(_NAMES, key=len, reverse=True))})\b")
# A page has other words, or another way, for the same.
_PHRASES = (
    ("or declare decimal: comma for", "or choose \u201ca comma\u201d under \u201cFractions are written with\u201d for"),
    (", not a comma, and without quotes", ", not a comma"),
)
# What an answer words for people; all else in it is data.
_WORDED = ("says", "message", "reasons", "to_measure", "cautions", "detail", "hint", "rank_why", "to_review")
_SENT_BEFORE = "This form was sent before with other words. Open it anew."


def label(pointer: str) -> str:
    """Returns what a page calls the field that a pointer leads to; empty for one that no page shows.

    Example:
        >>> label("/0/d2_mm"), label("use"), label("cursor")
        ('D2', 'What the job asks', '')
    """
    names = [name for name in pointer.strip("/").split("/") if not name.isdigit()]
    name = names[-1] if names else ""
    said = _LABELS.get(name) or _NAMES.get(name, "").removeprefix("the ")
    return said[:1].upper() + said[1:]


def in_words(text: str) -> str:
    """Returns a sentence of the API with the pages' words for its fields and uses.

    Example:
        >>> in_words("Give stress_mpa, or break_force_n with area_mm2.")
        'Give the stress, or the force with the section.'
    """
    return _NAME.sub(lambda found: _NAMES[found[0]], _rephrased(text))


def worded(said: dict[str, Any]) -> dict[str, Any]:
    """Returns an object of an answer as a page tells it: a refusal, one of its faults, or anything with sentences in it."""
    if "pointer" in said and "detail" in said:
        return _fault(said)
    told = {name: _told(part) if name in _WORDED else part for name, part in said.items()}
    return {**told, "detail": _refusal(said)} if "errors" in said and "detail" in said else told


def _told(part: Any) -> Any:
    if isinstance(part, str):
        return in_words(part)
    return [_told(one) for one in part] if isinstance(part, list) else part


def _fault(fault: dict[str, Any]) -> dict[str, Any]:
    # Whoever writes a file writes its columns' names.
    if "row" in fault:
        return {**fault, **{name: _rephrased(fault[name]) for name in ("detail", "hint") if name in fault}}
    name = fault["pointer"].rpartition("/")[2]
    kept = {**fault, "detail": in_words(fault["detail"]), "label": label(fault["pointer"])}
    hint = kept.pop("hint", "")
    # The field says that itself.
    repeats = (f"Give {name}.", f"{name}: ", "Write one of: ")
    return kept if not hint or hint.startswith(repeats) else {**kept, "hint": in_words(hint)}


def _rephrased(text: str) -> str:
    for said, better in _PHRASES:
        text = text.replace(said, better)
    return text


def _refusal(problem: dict[str, Any]) -> str:
    if str(problem.get("type", "")).endswith("/key-reused"):
        return _SENT_BEFORE
    errors = problem["errors"]
    if len(errors) != 1 or "row" in errors[0]:
        return in_words(problem["detail"])
    return ": ".join(filter(None, (errors[0].get("label"), errors[0]["detail"])))
