"""Concessions: requested by one person, approved by another, used by loads."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.concessions import Concession as State
from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.words import moment
from lots.services import clock, views
from lots.services.errors import Conflict, Fault, Invalid, NotFound
from lots.services.lookups import lot_of
from lots.services.views import View, recorded
from lots.store import audit
from lots.store.assessment import concessions, lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.decisions import Concession
from lots.store.tables.loads import Load
from lots.store.tables.lots import KeptConcession
from lots.store.tables.models import Lot


def from_json(kept: KeptConcession) -> State:
    """Returns a concession from its copy on the lot, which saves a clearance a query."""
    return State(
        kept["id"],
        tuple(kept["uses"]),
        kept["max_mass_g"],
        kept["taken_g"],
        datetime.fromisoformat(kept["valid_until"]),
        kept["finish_running"],
        kept["requested_by"],
        kept["approved_by"],
    )


def view_of(state: State) -> View:
    """Returns a concession for a clearance."""
    return {
        "id": state.number,
        "uses": list(state.uses),
        "left_g": state.left_g,
        "valid_until": state.valid_until,
        "finish_running": state.finish_running,
        "approved_by": state.approved_by,
        "says": state.says,
    }


def _view(row: Concession, state: State) -> View:
    """Returns a concession with the mass left."""
    return {
        "id": row.id,
        "lot_id": row.lot_id,
        "uses": row.uses,
        "max_mass_g": row.max_mass_g,
        "valid_until": row.valid_until,
        "finish_running": row.finish_running,
        "reason": row.reason,
        "requested_by": row.requested_by,
        "approved_by": row.approved_by,
        "approved_at": row.approved_at,
        "withdrawn_by": row.withdrawn_by,
        "withdrawn_at": row.withdrawn_at,
        "withdrawn_reason": row.withdrawn_reason,
        "taken_g": state.taken_g,
        "left_g": state.left_g,
        "over_g": max(0.0, state.taken_g - state.max_mass_g),
        "says": _says(row, state),
        **recorded(row),
    }


def _says(row: Concession, state: State) -> str:
    if row.withdrawn_by:
        return f"Concession {row.id} was withdrawn by {row.withdrawn_by}: {row.withdrawn_reason}"
    return state.says if row.approved_by else f"Requested by {row.requested_by}. A second person must approve it."


def _state(row: Concession, taken_g: float) -> State:
    return State(
        row.id,
        tuple(row.uses),
        row.max_mass_g,
        taken_g,
        row.valid_until,
        row.finish_running,
        row.requested_by,
        row.approved_by,
        row.withdrawn_at is not None,
    )


def refresh(lot: Lot) -> None:
    """Stores on a lot the state of its concessions, in the caller's transaction. Three queries."""
    lots.save_judgement(lot, {"concessions": left_of(lot.id)})


def left_of(lot_id: int) -> list[KeptConcession]:
    """Returns the state of a lot's concessions, as stored on its row. Two queries."""
    rows = concessions.of_lot(lot_id)
    taken = concessions.taken_g([row.id for row in rows])
    return [_kept(row, taken.get(row.id, 0.0)) for row in rows]


def _kept(row: Concession, taken_g: float) -> KeptConcession:
    return {
        "id": row.id,
        "uses": row.uses,
        "max_mass_g": row.max_mass_g,
        "taken_g": taken_g,
        "valid_until": row.valid_until.isoformat(),
        "finish_running": row.finish_running,
        "requested_by": row.requested_by,
        "approved_by": row.approved_by,
    }


def as_approved(number: int, by: str) -> KeptConcession:
    """Returns a concession as stored on its lot once this person approves it. Two queries."""
    row = _found(number)
    taken_g = concessions.taken_g([row.id]).get(row.id, 0.0)
    return {**_kept(row, taken_g), "approved_by": row.approved_by or by}


def _whole(row: Concession) -> View:
    """Returns a concession with the mass left and its running loads. Two queries."""
    return _wholes([row])[0]


def _wholes(rows: Sequence[Concession]) -> list[View]:
    """Returns the same for several concessions. Two queries."""
    numbers, now = [row.id for row in rows], clock.now()
    taken, loads = concessions.taken_g(numbers), concessions.running(numbers)
    return [_with_loads(row, taken.get(row.id, 0.0), loads[row.id], now) for row in rows]


def _with_loads(row: Concession, taken_g: float, loads: Sequence[Load], now: datetime) -> View:
    running = [{"load_id": load.id, **views.place(load), "loaded_at": load.loaded_at} for load in loads]
    run_out = now > row.valid_until and not row.finish_running
    # A withdrawn concession permits no running job, even with `finish_running`.
    must_come_off = bool(running) and (run_out or row.withdrawn_at is not None)
    return {**_view(row, _state(row, taken_g)), "running": running, "must_come_off": must_come_off}


class Requested(TypedDict):
    """A request for a concession. `requested_by` defaults to the sender, and `finish_running` to True."""

    uses: list[str]
    max_mass_g: float
    valid_until: datetime
    reason: str
    requested_by: NotRequired[str]
    finish_running: NotRequired[bool]


def request(lot_id: int, values: Requested, by: str) -> View:
    """Requests a concession on a lot. It permits nothing until a second person approves it.

    Raises:
        NotFound: no such lot.
        Conflict: the lot was returned or scrapped.
        Invalid: its end is in the past.
    """
    now = clock.now()
    lot_of(lot_id)
    if values["valid_until"] <= now:
        hint = "Give a time in the future."
        raise Invalid(Fault("/valid_until", f"{moment(values['valid_until'])} is in the past.", hint))
    with transaction():
        lot = lots.lock([lot_id])[lot_id]
        if lot.by_hand in ENDINGS:
            raise Conflict(_ended(lot))
        kept = {"requested_by": by, "finish_running": True, **values}
        row = concessions.add(lot, kept, by, now)
        audit.note(lot.id, "concession asked for", by, now, {"concession": [row.id]})
        return _whole(row)


def approve(number: int, by: str) -> View:
    """Approves a concession, which is valid from then on.

    Raises:
        NotFound: no such concession.
        Conflict: the approver requested or recorded it, or it was approved, withdrawn or has expired.
    """
    now = clock.now()
    with transaction():
        row = _found(number)
        lot = lots.lock([row.lot_id])[row.lot_id]
        row = _found(number)
        if by.casefold() in (row.requested_by.casefold(), row.recorded_by.casefold()):
            raise Conflict(f"{by} requested concession {number}. A second person must approve it.")
        if lot.by_hand in ENDINGS:
            raise Conflict(_ended(lot))
        if row.withdrawn_at is not None:
            raise Conflict(f"Concession {number} was withdrawn by {row.withdrawn_by}.")
        if row.valid_until <= now:
            raise Conflict(f"Concession {number} ran out at {moment(row.valid_until)}. Request a new one.")
        if not concessions.approve(row, by, now):
            raise Conflict(f"Concession {number} was already approved by {row.approved_by}.")
        refresh(lot)
        audit.note(lot.id, "concession approved", by, now, {"concession": [number]})
        return _whole(_found(number))


def withdraw(number: int, reason: str, by: str) -> View:
    """Withdraws a concession, and lists its running loads.

    Raises:
        NotFound: no such concession.
        Conflict: it is already withdrawn.
    """
    now = clock.now()
    with transaction():
        lot = lots.lock([_found(number).lot_id])[_found(number).lot_id]
        row = _found(number)
        if not concessions.withdraw(row, reason, by, now):
            raise Conflict(f"Concession {number} was already withdrawn by {row.withdrawn_by}.")
        refresh(lot)
        audit.note(lot.id, "concession withdrawn", by, now, {"concession": [number]})
        return _whole(_found(number))


def _ended(lot: Lot) -> str:
    return f"Lot {lot.supplier_lot} is {lot.standing} and cannot be used. Lift that decision first."


def _found(number: int) -> Concession:
    row = concessions.find(number)
    if row is None:
        raise NotFound(f"Concession {number} does not exist. See the concessions of its lot.")
    return row


def get(number: int) -> View:
    """Returns one concession with the mass left. Three queries.

    Raises:
        NotFound: no such concession.
    """
    return _whole(_found(number))


def of_lot(lot_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of a lot's concessions. Four queries, however many there are."""
    page = concessions.listed(lot_of(lot_id), cursor, limit)
    return Page(_wholes(page.rows), page.next)


def acts_on(lot: Lot, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of the requests, approvals and withdrawals of a lot's concessions. One query."""
    fields = ("id", "uses", "max_mass_g", "valid_until", "reason", "requested_by", "recorded_at", "recorded_by")
    later = ("approved_by", "approved_at", "withdrawn_by", "withdrawn_at", "withdrawn_reason")
    return concessions.listed(lot, cursor, limit).map(lambda row: {name: getattr(row, name) for name in fields + later})


def to_approve() -> list[View]:
    """Returns the concessions that wait for a second person, the oldest first, each with its lot. One query."""
    fields = ("id", "uses", "max_mass_g", "valid_until", "reason", "requested_by")
    return [
        {**{name: getattr(row, name) for name in fields}, "lot": views.lot_line(row.lot)}
        for row in concessions.to_approve()
        if row.lot.by_hand not in ENDINGS
    ]
