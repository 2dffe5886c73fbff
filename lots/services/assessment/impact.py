"""The effect of a new revision: lots in stock that would no longer pass. Nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import TypedDict

from lots.domain.conformity import rule_versions
from lots.services.assessment.judging import terms_anew
from lots.services.assessment.lot_assessment import assess_lot
from lots.store.assessment import lots
from lots.store.setup import catalog
from lots.store.tables.models import LimitsRevision, Lot, ShadeRevision


def of_shade_revision(shade_id: int, revision: int) -> list[Loss]:
    """Returns the lots in stock of a shade that would lose a use under one of its revisions.

    A handful of queries per lot in stock.
    """
    shade = catalog.shade_revision(shade_id, revision)
    return [found for lot in lots.in_stock(shade_id=shade_id) if (found := _loss(lot, lot.limits_revision, shade))]


def of_limits_revision(grade_id: int, revision: int) -> list[Loss]:
    """Returns the lots in stock of a grade that would lose a use under one of its limits revisions."""
    limits = catalog.limits_revision(grade_id, revision)
    return [found for lot in lots.in_stock(grade_id=grade_id) if (found := _loss(lot, limits, lot.shade_revision))]


def of_limits_body(grade_id: int, body: Mapping[str, object], current: Mapping[str, object]) -> list[Loss]:
    """Returns the lots in stock of a grade that would lose a use under draft limits.

    Args:
        body: the draft limits.
        current: the grade's current limits. Uses also lost in a reassessment under these are left out.
    """
    # A draft is assessed by the newest rules, as if set now.
    drafted, now = (LimitsRevision(body=some, rules=rule_versions.CURRENT) for some in (body, current))
    stock = lots.in_stock(grade_id=grade_id)
    return [found for lot in stock if (found := _loss(lot, drafted, lot.shade_revision, now))]


# The most lots that a draft is tried on, which limits the waiting time.
MOST_TRIED = 50


class Effect(TypedDict):
    """Status and uses of a lot now and under draft limits.

    `why` has the reasons for uses that would change and not pass.
    """

    lot_id: int
    supplier_lot: str
    supplier: str
    received_at: datetime
    in_stock: bool
    standing: str
    would_be: str
    uses: dict[str, str]
    would_uses: dict[str, str]
    changed: bool
    why: list[str]


def effect_of_limits(grade_id: int, body: Mapping[str, object], most: int = MOST_TRIED) -> list[Effect]:
    """Returns the effect of draft limits on lots of a grade: those in stock, then the newest others, `most` in all.

    Each equals the "would now be" assessment once the limits are set. Four to eight queries per lot. Nothing is stored.
    """
    drafted = LimitsRevision(body=body, rules=rule_versions.CURRENT)
    stock = [*reversed(lots.in_stock(grade_id=grade_id))]
    held = {lot.id for lot in stock}
    tried = [*stock, *(lot for lot in lots.newest_whole(grade_id, most) if lot.id not in held)][:most]
    return [
        _effect(lot, drafted, lot.id in held)
        for lot in sorted(tried, key=lambda lot: (lot.received_at, lot.id), reverse=True)
    ]


def _effect(lot: Lot, drafted: LimitsRevision, in_stock: bool) -> Effect:
    judged = assess_lot(lot, terms_anew(lot, drafted, lot.shade_revision))
    would: dict[str, str] = {**judged.assessment.uses}
    moved = [use for use in would if lot.uses.get(use) != would[use]]
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "supplier": lot.supplier.code,
        "received_at": lot.received_at,
        "in_stock": in_stock,
        "standing": lot.standing,
        "would_be": judged.standing,
        "uses": lot.uses,
        "would_uses": would,
        "changed": bool(moved) or judged.standing != lot.standing or lot.uses.keys() != would.keys(),
        "why": list(
            dict.fromkeys(reason for use in moved if would[use] != "pass" for reason in judged.assessment.why(use))
        ),
    }


def under_older_limits(grade_id: int, revision: int) -> list[tuple[int, str, int | None]]:
    """Returns number, supplier's number and limits revision of the lots in stock assessed under older limits.

    One query.
    """
    held = [
        (lot, lot.limits_revision.revision if lot.limits_revision else None) for lot in lots.in_stock(grade_id=grade_id)
    ]
    return [(lot.id, lot.supplier_lot, under) for lot, under in held if (under or 0) < revision]


class Loss(TypedDict):
    """A lot in stock that would lose uses, with its new status and the reasons."""

    lot_id: int
    supplier_lot: str
    standing: str
    would_be: str
    uses: dict[str, str]
    would_uses: dict[str, str]
    lost_uses: list[str]
    why: list[str]


def _loss(
    lot: Lot, limits: LimitsRevision | None, shade: ShadeRevision | None, instead_of: LimitsRevision | None = None
) -> Loss | None:
    """Returns the loss of a lot, None without one. Uses also lost under `instead_of` are left out."""
    judged = assess_lot(lot, terms_anew(lot, limits, shade))
    would = judged.assessment.uses
    lost = [use for use, verdict in lot.uses.items() if verdict == "pass" and would.get(use) != "pass"]
    if lost and instead_of is not None:
        kept = assess_lot(lot, terms_anew(lot, instead_of, shade)).assessment.uses
        lost = [use for use in lost if kept.get(use) == "pass"]
    if not lost:
        return None
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "would_be": judged.standing,
        "uses": lot.uses,
        "would_uses": dict(would),
        "lost_uses": lost,
        "why": list(dict.fromkeys(message for use in lost for message in judged.assessment.why(use))),
    }
