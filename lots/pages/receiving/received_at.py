"""The field for the moment of receipt. An unchanged moment keeps its seconds, and an hour that occurred twice needs a choice."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from lots.pages.site.frame import pages
from lots.pages.site.place import moment, moment_field, moment_typed, place
from lots.services.errors import Fault, Invalid

_AT = "/received_at"
# The field, the exact moment that it was filled with, and the choice between two moments.
FIELDS = ("received_at", "received_known", "received_which")


def received(typed: Mapping[str, str]) -> str:
    """Returns the moment in the field as the API takes it, to the second if it was not changed.

    Raises:
        Invalid: a time that the site's clock never showed, or showed twice without a choice.
    """
    text = typed["received_at"]
    for exact in (typed.get("received_which", ""), typed.get("received_known", "")):
        at = _moment(exact)
        if at is not None and moment_field(at) == text:
            return at.isoformat()
    if place().twice(text):
        raise Invalid(
            Fault(_AT, "The clocks went back, so this time occurred twice.", "Choose the first or the second below.")
        )
    try:
        return moment_typed(_AT, text)
    except Invalid as error:
        raise Invalid(Fault(_AT, error.faults[0].detail, "Give another time.")) from None


def which(typed: Mapping[str, str]) -> list[tuple[str, str]]:
    """Returns the two moments to choose from if the clock showed the typed time twice, else []."""
    both = place().twice(typed.get("received_at", ""))
    if both is None:
        return []
    said = (
        f"{order}: {place().moment(at)} (UTC{at.isoformat()[-6:]})"
        for order, at in zip(("First", "Second"), both, strict=True)
    )
    return [("", "choose"), *((at.isoformat(), words) for at, words in zip(both, said, strict=True))]


def chosen(at: datetime) -> str:
    """Returns which of the two moments of `which` this is; "" for a time that occurred once."""
    both = place().twice(moment_field(at)) or ()
    return next((one.isoformat() for one in both if one.utcoffset() == at.astimezone(one.tzinfo).utcoffset()), "")


@pages.app_template_filter("stored_moment")
def stored_moment(text: str) -> str:
    """Returns a moment that a correction keeps as text, as the site writes it."""
    at = _moment(text)
    return text if at is None else moment(at)


def _moment(text: str) -> datetime | None:
    """Returns a moment with its UTC offset, or None for anything else."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo else None
