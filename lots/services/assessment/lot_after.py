"""The status of a lot after a change, in words, with the loads of a lot that may not be used."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NotRequired, TypedDict

from lots.domain.assessment.assessment import work_left
from lots.domain.assessment.standing_by_hand import LOADABLE, decided_by_hand, manual_decision_says
from lots.domain.words import hyphenated, listed
from lots.services import exposure, views
from lots.services.assessment.lot_assessment import Judged
from lots.store.tables.models import Lot


class LotAfter(TypedDict):
    """The status of a lot after a change."""

    id: int
    supplier_lot: str
    standing: str
    uses: dict[str, str]
    to_measure: list[str]
    says: str
    exposure: NotRequired[views.Exposure]


def after(lot: Lot, judged: Judged | None = None) -> LotAfter:
    """Returns the status of a lot after a change, the next measurements, and the loads of a lot that may not be used.

    Args:
        lot: the lot after the change.
        judged: its assessment (optional), which adds sentences on readings that cannot help the lot.
    """
    told = judged.assessment.told if judged else ()
    found: LotAfter = {
        "id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "uses": lot.uses,
        "to_measure": lot.to_measure,
        "says": _says(lot, " ".join(["", *told])),
    }
    if lot.standing not in LOADABLE and (reached := exposure.exposure(lot))["items"]:
        found["exposure"] = reached
    return found


def _says(lot: Lot, told: str = "") -> str:
    passed, failed = (
        [hyphenated(use) for use, verdict in lot.uses.items() if verdict == word] for word in ("pass", "fail")
    )
    if lot.standing == "released":
        return f"Lot {lot.supplier_lot} is released.{told}"
    if lot.standing == "restricted":
        return f"Lot {lot.supplier_lot} is released only for {listed(passed)} use.{told}"
    if lot.by_hand is not None and decided_by_hand(lot.assessed, lot.by_hand):
        return f"{manual_decision_says(lot.supplier_lot, lot.by_hand, lot.by_hand_reason or '')}{told}"
    if lot.standing == "blocked":
        why, left = work_left(reason for why in lot.why.values() for reason in why)
        return f"Lot {lot.supplier_lot} is blocked. {' '.join(why)}{_to_do(left) if left else ''}{told}"
    failing = f" It already fails for {listed(failed)} use." if failed else ""
    return f"Lot {lot.supplier_lot} is in quarantine.{failing}{told}{_to_do(lot.to_measure)}"


def _to_do(left: Sequence[str]) -> str:
    return f" Still to do: {'; '.join(left)}."


def status_sentences(found: LotAfter) -> str:
    """Returns the status of a lot in words, without the work left, which a page lists separately."""
    return found["says"].removesuffix(_to_do(found["to_measure"]))
