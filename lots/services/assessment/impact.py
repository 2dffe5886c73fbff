"""What a new revision would change: lots in use that would no longer pass. Nothing is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from lots.domain.conformity import rule_versions
from lots.services.assessment.judging import terms_anew
from lots.services.assessment.lot_assessment import Judged, assess_lot
from lots.store.assessment import lots
from lots.store.setup import catalog


def of_shade_revision(shade_id: int, revision: int) -> list[dict[str, Any]]:
    """Returns the lots in stock of a shade that would lose a use under one of its revisions. A handful of queries per lot in stock."""
    shade = catalog.shade_revision(shade_id, revision)
    return [found for lot in lots.in_stock(shade_id=shade_id) if (found := _loss(lot, lot.limits_revision, shade))]


def of_limits_revision(grade_id: int, revision: int) -> list[dict[str, Any]]:
    """Returns the lots in stock of a grade that would lose a use under one of its limits revisions."""
    limits = catalog.limits_revision(grade_id, revision)
    return [found for lot in lots.in_stock(grade_id=grade_id) if (found := _loss(lot, limits, lot.shade_revision))]


def of_limits_body(grade_id: int, body: dict[str, Any], current: dict[str, Any]) -> list[dict[str, Any]]:
    """Returns the lots in stock of a grade that would lose a use by what limits that nobody has set yet change.

    Args:
        body: the limits that nobody has set yet.
        current: the grade's current ones. A use that a lot would lose under these too, if judged again, is not lost by the draft.
    """
    drafted, now = _Drafted(body), _Drafted(current)
    stock = lots.in_stock(grade_id=grade_id)
    return [found for lot in stock if (found := _loss(lot, drafted, lot.shade_revision, now))]


@dataclass(frozen=True, slots=True)
class _Drafted:
    """Limits before they are a revision; set now, they would be judged by the newest rules."""

    body: dict[str, Any]
    rules: int = rule_versions.CURRENT


def _loss(lot: Any, limits: Any, shade: Any, instead_of: Any = None) -> dict[str, Any] | None:
    """What a lot would lose; with limits to be instead of, only what it would keep under those."""
    judged, would = _judged(lot, limits, shade)
    lost = [use for use, verdict in lot.uses.items() if verdict == "pass" and would.get(use) != "pass"]
    if lost and instead_of is not None:
        _, kept = _judged(lot, instead_of, shade)
        lost = [use for use in lost if kept.get(use) == "pass"]
    if not lost:
        return None
    why = list(dict.fromkeys(message for use in lost for message in judged.assessment.why(use)))
    return {
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "would_be": judged.standing,
        "uses": lot.uses,
        "would_uses": dict(would),
        "lost_uses": lost,
        "why": why,
    }


def _judged(lot: Any, limits: Any, shade: Any) -> tuple[Judged, Mapping[str, str]]:
    judged = assess_lot(lot, terms_anew(lot, limits, shade))
    return judged, judged.assessment.uses
