"""The clearances that a concession gives, or will give after its approval. Stores nothing."""

from __future__ import annotations

from datetime import datetime
from typing import TypedDict

from lots.services import clock
from lots.services.assessment import concessions
from lots.services.lookups import lot_of
from lots.services.production import clearance
from lots.services.views import View

# The approver of a concession that is not approved yet.
_APPROVER = "a second person"


class ClearedFor(TypedDict):
    """The clearance of a lot for a use, without regard to the spool, the job and the mass."""

    use: str
    clear: bool
    says: str


def shown(number: int) -> View:
    """Returns a concession with its clearance for each use; no clearance after it was withdrawn. About six queries.

    Raises:
        NotFound: no such concession.
    """
    found = concessions.get(number)
    if found["withdrawn_at"] is not None:
        return {**found, "clearances": []}
    kept, now = concessions.as_approved(number, _APPROVER), clock.now()
    lot = lot_of(int(str(found["lot_id"])))
    lot.concessions = [*(one for one in lot.concessions if one["id"] != number), kept]
    facts = clearance.facts_of(lot)
    return {**found, "clearances": [_answer(facts, use, now) for use in kept["uses"]]}


def _answer(facts: clearance.LotFacts, use: str, at: datetime) -> ClearedFor:
    answer = clearance.of_lot(facts, use, at)
    return {"use": use, "clear": answer.clear, "says": answer.says}
