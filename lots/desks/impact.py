"""What a new revision would change: lots in use that would no longer pass. Nothing is stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lots.desks.evidence import work_out
from lots.desks.judging import find_previous
from lots.store import catalog, lots


def of_shade_revision(shade_id: int, revision: int) -> list[dict[str, Any]]:
    """Returns the lots in stock of a shade that would lose a use under one of its revisions. A handful of queries per lot in stock."""
    shade = catalog.shade_revision(shade_id, revision)
    return [found for lot in lots.in_stock(shade_id=shade_id) if (found := _loss(lot, lot.limits_revision, shade))]


def of_limits_revision(grade_id: int, revision: int) -> list[dict[str, Any]]:
    """Returns the lots in stock of a grade that would lose a use under one of its limits revisions."""
    limits = catalog.limits_revision(grade_id, revision)
    return [found for lot in lots.in_stock(grade_id=grade_id) if (found := _loss(lot, limits, lot.shade_revision))]


def of_limits_body(grade_id: int, body: dict[str, Any]) -> list[dict[str, Any]]:
    """Returns the lots in stock of a grade that would lose a use under limits that nobody has set yet."""
    drafted = _Drafted(body)
    return [found for lot in lots.in_stock(grade_id=grade_id) if (found := _loss(lot, drafted, lot.shade_revision))]


@dataclass(frozen=True, slots=True)
class _Drafted:
    """Limits before they are a revision."""

    body: dict[str, Any]


def _loss(lot: Any, limits: Any, shade: Any) -> dict[str, Any] | None:
    judged = work_out(lot, limits, shade, lot.by_hand, find_previous(lot), lot.retests_cleared)
    would = judged.assessment.uses
    lost = [use for use, verdict in lot.uses.items() if verdict == "pass" and would.get(use) != "pass"]
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
