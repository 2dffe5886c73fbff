"""What a new revision would change: lots in use that would no longer pass. Nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict

from lots.domain.conformity import rule_versions
from lots.services.assessment.judging import terms_anew
from lots.services.assessment.lot_assessment import assess_lot
from lots.store.assessment import lots
from lots.store.setup import catalog
from lots.store.tables.models import LimitsRevision, Lot, ShadeRevision


def of_shade_revision(shade_id: int, revision: int) -> list[Loss]:
    """Returns the lots in stock of a shade that would lose a use under one of its revisions. A handful of queries per lot in stock."""
    shade = catalog.shade_revision(shade_id, revision)
    return [found for lot in lots.in_stock(shade_id=shade_id) if (found := _loss(lot, lot.limits_revision, shade))]


def of_limits_revision(grade_id: int, revision: int) -> list[Loss]:
    """Returns the lots in stock of a grade that would lose a use under one of its limits revisions."""
    limits = catalog.limits_revision(grade_id, revision)
    return [found for lot in lots.in_stock(grade_id=grade_id) if (found := _loss(lot, limits, lot.shade_revision))]


def of_limits_body(grade_id: int, body: Mapping[str, object], current: Mapping[str, object]) -> list[Loss]:
    """Returns the lots in stock of a grade that would lose a use by what limits that nobody has set yet change.

    Args:
        body: the limits that nobody has set yet.
        current: the grade's current ones. A use that a lot would lose under these too, if judged again, is not lost by the draft.
    """
    # Limits before they are a revision; set now, they would be judged by the newest rules.
    drafted, now = (LimitsRevision(body=some, rules=rule_versions.CURRENT) for some in (body, current))
    stock = lots.in_stock(grade_id=grade_id)
    return [found for lot in stock if (found := _loss(lot, drafted, lot.shade_revision, now))]


class Loss(TypedDict):
    """A lot in use that would lose uses, with what it would be and why."""

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
    """What a lot would lose; with limits to be instead of, only what it would keep under those."""
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
