"""Production: spools onto machines and off again."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.desks import clock, concessions, grade_uses, views
from lots.desks.clearing import Ask, settings, spool_of, view, work_out
from lots.desks.errors import Conflict, Fault, Invalid, NotFound
from lots.desks.words import moment
from lots.domain.concessions import reserved_g
from lots.store import history, loads, lots, tracing
from lots.store.database import transaction
from lots.store.paging import Page


def load(values: dict[str, Any], by: str) -> tuple[dict[str, Any], bool]:
    """Puts a spool on a machine if it is clear; otherwise records that it was asked for and why it was refused.

    Returns:
        (the load, True), or (the clearance with its reasons, False). A refusal is a value: raising would undo its record.

    Raises:
        NotFound: no spool has this code.
        Invalid: a stated time that cannot be.
    """
    now = clock.now()
    code, use, job, machine = values["spool_code"], values["use"], values["job"], values["machine"]
    with transaction():
        first = spool_of(code)
        lots.lock([first.lot_id, *tracing.further_lots([first.id] if first.spliced else []).get(first.id, ())])
        # Read again under the lock: a block that was acknowledged in between is seen here.
        row = spool_of(code)
        loaded_at = values.get("loaded_at") or now
        if faults := _load_time_faults(row, loaded_at, now):
            raise Invalid(*faults)
        mass_g = values.get("mass_g")
        # A concession is asked about now and at the stated time: neither may lie after its end.
        ask = Ask(use, job, machine, mass_g, values.get("match_max"))
        answer, _ = work_out(row, ask, max(now, loaded_at))
        asked = {"machine": machine, "job": job, "use": use}
        if not answer.clear:
            refusal = loads.refuse(row, asked, list(answer.reasons), by, now)
            history.note(row.lot_id, "load refused", by, now, {"load_refusal": [refusal.id]})
            return {**view(row, answer, ask), "checked_at": now}, False
        under = answer.concession
        taken = (
            {}
            if under is None
            else {
                "concession": under.number,
                "reserved_g": reserved_g(under, row.remaining_mass_g, mass_g),
            }
        )
        stored, made = loads.add(row, {**asked, **taken, "loaded_at": loaded_at}, by, now)
        lots.put_on_machine(row, machine)
        if row.opened_at is None:
            lots.note_life(row, {"opened_at": loaded_at})
        if under is not None:
            concessions.refresh(row.lot)
        history.note(row.lot_id, "spool loaded", by, now, {**made, "spool": [row.id]})
        told = {**views.load(stored), "cautions": list(answer.cautions), "settings": settings(row)}
        permission = answer.permission and grade_uses.permission_view(answer.permission)
        return {**told, "concession": under and concessions.view_of(under), "permission": permission}, True


def _load_time_faults(row: Any, loaded_at: datetime, now: datetime) -> list[Fault]:
    faults = clock.doubt_future("/loaded_at", loaded_at, now)
    last = loads.last_unload_of(row)
    if last is not None and loaded_at < last:
        faults.append(
            Fault(
                "/loaded_at",
                f"Spool {row.code} came off another machine only at {moment(last)}.",
                "State when it was put on this one, after that.",
            )
        )
    return faults


def unload(load_id: int, remaining_mass_g: float, unloaded_at: datetime | None, by: str) -> dict[str, Any]:
    """Takes a spool off its machine and books what was used.

    Raises:
        NotFound: no such load.
        Conflict: it has ended already.
        Invalid: more filament left than there was, or a time that cannot be.
    """
    now = clock.now()
    with transaction():
        first = loads.find(load_id)
        if first is None:
            raise NotFound(f"There is no load {load_id}. The list of loads has those there are.")
        lots.lock([first.lot_id])
        row = loads.find(load_id)
        at = unloaded_at or now
        if row.unloaded_at is not None:
            raise Conflict(f"Spool {row.spool.code} was taken off {row.machine} at {moment(row.unloaded_at)} already.")
        faults = clock.doubt_future("/unloaded_at", at, now)
        if at < row.loaded_at:
            faults.append(
                Fault("/unloaded_at", f"It was loaded only at {moment(row.loaded_at)}.", "State a time after that.")
            )
        if remaining_mass_g > row.mass_before_g:
            faults.append(
                Fault(
                    "/remaining_mass_g",
                    f"{remaining_mass_g:g} g left is more than the {row.mass_before_g:g} g that were on the spool when it was loaded.",
                    "Weigh again, and take off the mass of the empty reel.",
                )
            )
        if faults:
            raise Invalid(*faults)
        loads.complete(row, remaining_mass_g, at, by, now)
        lots.take_off_machine(row.spool_id, remaining_mass_g)
        if row.concession_id is not None:
            concessions.refresh(row.lot)
        history.note(row.lot_id, "spool unloaded", by, now, {"load": [load_id], "spool": [row.spool_id]})
        return views.load(loads.find(load_id))


def listed(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """Returns a page of loads."""
    return loads.listed(filters, cursor, limit).map(views.load)


def refusals(cursor: str | None, limit: int) -> Page:
    """Returns a page of refused loads with their reasons."""
    return loads.refusals(cursor, limit).map(views.load_refusal)
