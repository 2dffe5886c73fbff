"""What a lot may be used for now, use by use: the same rules as a clearance, asked of the lot before there is a spool in the hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from lots.domain.assessment.limits_revision import USES, verdict_on_use
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

# What may be answered for a use. Only the first two let anybody load; `not_yet` may become one of them by measuring or by lifting a hold.
ANSWERS = ("yes", "concession", "not_yet", "not_judged", "no")
# Where what is not loadable yet may become so.
_OPEN = ("quarantined", "released", "restricted")


def listed(filters: Mapping[str, object], cursor: str | None, limit: int, *, newest_first: bool = False) -> Page[View]:
    """Returns a page of lots with what each may be used for. One query, however many lots there are."""
    now = clock.now()
    page = lots.listed(filters, cursor, limit, newest_first=newest_first, of=shelf.lots_with_uses())
    return page.map(lambda lot: line(lot, now))


def line(lot: Lot, at: datetime) -> View:
    """Returns what a lot may be used for, as a list says it. No query."""
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
    """Returns for every use whether a lot may be loaded for it at a moment, and every reason why not. No query.

    Args:
        lot: with its grade and its limits revision.
        at: the moment of loading, for concessions.

    Notes:
        A single spool may be refused all the same: for what it fails by itself, its age, or what its job was begun with.
    """
    facts = clearance.facts_of(lot)
    state, found = facts.state, []
    for use in USES:
        cleared = clearance.of_lot(facts, use, at)
        verdict = verdict_on_use(state.uses, state.blocks, use)
        found.append(_permission(use, cleared, _answer(lot, cleared, verdict, bool(state.material.against(use)))))
    return found


def _permission(use: str, found: Clearance, answer: str) -> View:
    says = found.concession.says if found.concession else "May be loaded." if found.clear else found.reasons[0]
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
    """Returns for every use whether a spool may be loaded for it now, and every reason why not, whatever the machine, the job and the mass.

    No query for a spool of one lot. What the spool fails by itself, its age and its drying count, and each lot that it holds.
    """
    now = clock.now()
    held = [clearance.facts_of(lot) for lot in clearance.lots_held(row)]
    found = clearance.by_use(row, held, USES, now)
    return [_permission(use, cleared, _spool_answer(cleared, use, held, now)) for use, cleared in found.items()]


def of_code(code: str) -> list[View]:
    """Returns the same of the spool with a code. One query, more for a spool of several lots.

    Raises:
        NotFound: no spool has this code.
    """
    return of_spool(spool_of(code, lots.spool_seen))


def _spool_answer(found: Clearance, use: str, held: Sequence[clearance.LotFacts], at: datetime) -> str:
    """The least kind answer of the lots on a spool; "no" where they would do and the spool itself does not."""
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
    """Returns for every use whether a lot may be loaded for it now, and every reason why not. No query."""
    return permissions(lot, clock.now())
