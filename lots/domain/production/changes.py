"""Changes published to other programs: lot status, loads, containment and instruments due for a check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from lots.domain.assessment.standing_by_hand import LOADABLE, STANDINGS

SPOOL_LOADED, SPOOL_UNLOADED = "spool.loaded", "spool.unloaded"
CONTAINMENT_OPENED, INSTRUMENT_DUE = "containment.opened", "instrument.due"
# Kinds are part of the hashed content of history entries. They are never renamed.
KINDS = (
    *(f"lot.{standing}" for standing in STANDINGS),
    *(SPOOL_LOADED, SPOOL_UNLOADED, CONTAINMENT_OPENED, INSTRUMENT_DUE),
)
# Optional members of a change, besides its kind and its two states.
NUMBERS = ("lot_id", "load_id", "containment_id", "instrument_id")
CODES = ("supplier_lot", "spool_code", "machine", "job", "instrument_code")

# A change as stored in a history entry: kind, before, after, and members of NUMBERS and CODES.
Change = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Stand:
    """Status of a lot, with a verdict for each use."""

    standing: str
    uses: Mapping[str, str]

    @property
    def state(self) -> dict[str, Any]:
        """The state as published."""
        return {"standing": self.standing, "uses": dict(self.uses)}


@dataclass(frozen=True, slots=True)
class Place:
    """A load: which spool is on which machine, for which job and use. `supplier_lot` is the supplier's number of the lot."""

    load_id: int
    lot_id: int
    supplier_lot: str
    spool_code: str
    machine: str
    job: str
    use: str

    @property
    def named(self) -> dict[str, Any]:
        """The numbers and codes of the place."""
        names = ("load_id", "lot_id", "supplier_lot", "spool_code", "machine", "job")
        return {name: getattr(self, name) for name in names}

    @property
    def state(self) -> dict[str, Any]:
        """The load while it is on the machine."""
        return {name: getattr(self, name) for name in ("machine", "job", "use", "spool_code")}


def lot_moved(lot_id: int, supplier_lot: str, before: Stand | None, after: Stand) -> list[Change]:
    """Returns the change of a lot after an assessment; empty if its status did not change.

    For a lot that may be loaded, a changed verdict on a use is also a change. In quarantine verdicts change with each reading and permit nothing.

    Args:
        lot_id, supplier_lot: number and name of the lot.
        before, after: status and verdicts before and after the assessment; `before` is None for a new lot.

    Example:
        >>> [change["kind"] for change in lot_moved(7, "Q-71", None, Stand("quarantined", {}))]
        ['lot.quarantined']
        >>> lot_moved(7, "Q-71", Stand("quarantined", {}), Stand("quarantined", {"fit": "near"}))
        []
    """
    moved = before is None or before.standing != after.standing
    if not moved and (after.standing not in LOADABLE or before == after):
        return []
    named = {"lot_id": lot_id, "supplier_lot": supplier_lot}
    states = {"before": before.state if before else None, "after": after.state}
    return [{"kind": f"lot.{after.standing}", **named, **states}]


def spool_loaded(place: Place) -> Change:
    """Returns the change of a spool that was loaded on a machine."""
    return {"kind": SPOOL_LOADED, **place.named, "before": None, "after": place.state}


def spool_unloaded(place: Place, remaining_mass_g: float) -> Change:
    """Returns the change of a spool that was unloaded, with the mass left, g."""
    after = {"spool_code": place.spool_code, "remaining_mass_g": remaining_mass_g}
    return {"kind": SPOOL_UNLOADED, **place.named, "before": place.state, "after": after}


def containment_opened(number: int, place: Place, reason: str, *, certain: bool, loaded: bool) -> Change:
    """Returns the change of a load that a lot had reached before it lost a use.

    Args:
        number: of the containment.
        place: the load, with the lot that lost the use. Where the lot reached it only possibly, the spool may be of another lot.
        reason: in words.
        certain: False where the lot reached the load only possibly.
        loaded: True while the load has not ended.
    """
    after = {
        **place.state,
        "lot_id": place.lot_id,
        "load_id": place.load_id,
        "certainty": "certain" if certain else "possibly",
        "still_loaded": loaded,
        "reason": reason,
    }
    return {"kind": CONTAINMENT_OPENED, "containment_id": number, **place.named, "before": None, "after": after}


def instrument_due(number: int, code: str, due_at: datetime) -> Change:
    """Returns the change of an instrument whose check is overdue."""
    after = {"code": code, "due_at": due_at.isoformat().replace("+00:00", "Z")}
    return {"kind": INSTRUMENT_DUE, "instrument_id": number, "instrument_code": code, "before": None, "after": after}
