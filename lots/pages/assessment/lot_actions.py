"""Links for the page of a lot to the acts that the signed-in person may do. No query."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from flask import url_for

from lots.domain.assessment.standing_by_hand import ENDINGS, legal_actions
from lots.domain.purchasing.letters import WRITTEN_ABOUT
from lots.pages.site.frame import pages
from lots.pages.site.session import may

_BY_HAND = {
    "hold": "Hold lot",
    "block": "Block lot",
    "lift": "Lift the decision",
    "return": "Return to the supplier",
    "scrap": "Scrap lot",
}


class Act(NamedTuple):
    """A link to an act."""

    label: str
    url: str


def acts_on(lot: Mapping[str, Any]) -> list[Act]:
    """Returns the acts on a lot, as its page shows it, that the signed-in person may do."""
    return [Act(label, url_for(endpoint, **place)) for label, endpoint, place in _every(lot) if may(endpoint)]


def _every(lot: Mapping[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    number, by_hand = lot["id"], lot["by_hand"] and lot["by_hand"]["action"]
    if by_hand not in ENDINGS:
        yield "Reassess", "pages.reassessing", {"number": number}
        yield "Request a concession", "pages.concession_form", {"number": number}
    for action in legal_actions(by_hand):
        yield _BY_HAND[action], "pages.deciding", {"number": number, "action": action}
    if by_hand not in ENDINGS:
        yield "Check outliers", "pages.outliers", {"number": number}
        yield "Accept a substitute", "pages.substitute_form", {"number": number}
        yield "Inspect again", "pages.reinspection_form", {"number": number}
        yield "Record a drying", "pages.lot_drying", {"number": number}
    # Corrective actions and letters are about lots that were rejected for at least one use.
    if lot["standing"] in WRITTEN_ABOUT:
        yield "Request a corrective action", "pages.action_form", {"number": number}
        yield "Write a letter", "pages.letter_form", {"number": number}


@pages.app_context_processor
def _shared() -> dict[str, Any]:
    return {"acts_on": acts_on}
