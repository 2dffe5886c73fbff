"""The permitted uses of a lot or a spool, by the rules of clearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from lots.domain.assessment.limits_revision import GENERAL, USES, verdict_on_use
from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.production.clearance import Clearance
from lots.services import clock
from lots.services.lookups import spool_of
from lots.services.production import clearance
from lots.services.views import View
from lots.store.assessment import lots
from lots.store.engine.paging import Page
from lots.store.production import shelf
from lots.store.tables.models import Lot, Spool

# The answers for a use. Only the first two allow loading. `not_yet` can change after more readings or after a hold is lifted.
ANSWERS = ("yes", "concession", "not_yet", "not_judged", "no")
# Statuses in which a use may still become permitted.
_OPEN = ("quarantined", "released", "restricted")


def listed(filters: Mapping[str, object], cursor: str | None, limit: int, *, newest_first: bool = False) -> Page[View]:
    """Returns a page of lots with their permitted uses. One query for any number of lots."""
    now = clock.now()
    page = lots.listed(filters, cursor, limit, newest_first=newest_first, of=shelf.lots_with_uses())
    return page.map(lambda lot: line(lot, now))


def line(lot: Lot, at: datetime) -> View:
    """Returns a lot with its permitted uses for a list. No query."""
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "supplier": lot.supplier.name,
        "grade": lot.grade.code,
        "received_at": lot.received_at,
        "standing": lot.standing,
        "uses": permissions(lot, at),
    }


def permissions(lot: Lot, at: datetime) -> list[View]:
    """Returns the answer for every use of a lot, with all reasons against it. No query.

    Args:
        lot: with its grade and its limits revision.
        at: the time of loading, for concessions.

    Notes:
        A single spool may still be refused, for its own findings, its age, or the other lots of its job.
    """
    facts = clearance.facts_of(lot)
    state, found = facts.state, []
    for use in USES:
        cleared = clearance.of_lot(facts, use, at)
        verdict = verdict_on_use(state.uses, state.blocks, use)
        forbidden = bool(state.material.against(use))
        why = state.why.get(use if use in state.uses else GENERAL, ())
        failed = None if forbidden or state.by_hand or verdict != "fail" else next(iter(why), None)
        found.append(_permission(use, cleared, _answer(lot, cleared, verdict, forbidden), failed))
    return found


def _permission(use: str, found: Clearance, answer: str, failed: str | None = None) -> View:
    """Returns the answer for a use. `failed` is the finding that fails for it, if any."""
    against = found.concession.says if found.concession else None if found.clear else failed or found.reasons[0]
    says = against or "May be loaded."
    return {"use": use, "answer": answer, "says": says, "reasons": list(found.reasons)}


def _answer(lot: Lot, found: Clearance, verdict: str | None, forbidden: bool) -> str:
    if found.clear:
        return "concession" if found.concession else "yes"
    if lot.judged_at is None:
        return "not_judged"
    if lot.by_hand in ("block", *ENDINGS) or verdict == "fail" or forbidden:
        return "no"
    if verdict is None:
        return "not_judged"
    return "not_yet" if lot.standing in _OPEN else "no"


def of_spool(row: Spool) -> list[View]:
    """Returns the answer for every use of a spool, with all reasons against it, for any machine, job and mass.

    Its own findings, its age, its drying and each lot that it holds count. No query for a spool of one lot.
    """
    now = clock.now()
    held = [clearance.facts_of(lot) for lot in clearance.lots_held(row)]
    found = clearance.by_use(row, held, USES, now)
    return [_permission(use, cleared, _spool_answer(cleared, use, held, now)) for use, cleared in found.items()]


def of_code(code: str) -> list[View]:
    """Returns the answer for every use of the spool with this code. One query, more for a spool of several lots.

    Raises:
        NotFound: no spool has this code.
    """
    return of_spool(spool_of(code, lots.spool_seen))


def _spool_answer(found: Clearance, use: str, held: Sequence[clearance.LotFacts], at: datetime) -> str:
    """Returns the worst answer of the lots on a spool; "no" if only the spool itself is refused."""
    if found.clear:
        return "concession" if found.concession else "yes"
    answers = {
        _answer(
            facts.lot,
            clearance.of_lot(facts, use, at),
            verdict_on_use(facts.state.uses, facts.state.blocks, use),
            bool(facts.state.material.against(use)),
        )
        for facts in held
    }
    return next((answer for answer in ("no", "not_judged", "not_yet") if answer in answers), "no")


def of_lot(lot: Lot) -> list[View]:
    """Returns the answer for every use of a lot now, with all reasons against it. No query."""
    return permissions(lot, clock.now())
