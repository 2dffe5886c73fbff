"""Production: may this spool be loaded? Loads, unloads, and where a lot has been."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.desks import clock, concessions, views
from lots.desks.errors import Conflict, Fault, Invalid, NotFound
from lots.desks.words import moment
from lots.domain.agreed import GENERAL, limits_from
from lots.domain.clearance import Clearance, SpoolState, clear
from lots.domain.concessions import reserved_g
from lots.domain.matching import PairMatch, match_pairs
from lots.domain.shade import ColorLimits
from lots.domain.shrinkage import AXES, scale_factor
from lots.domain.values import Lab
from lots.store import loads, lots
from lots.store.database import transaction
from lots.store.paging import Page

# Uses that show: for these, a lot that does not match the others of its job is refused.
_SHOWS_COLOR = ("cosmetic", GENERAL)


def _spool(code: str) -> Any:
    # NUL can stand in a path but in no code, and PostgreSQL does not take it.
    row = None if "\0" in code else lots.spool(code)
    if row is None:
        like = None if "\0" in code else lots.code_like(code)
        hint = (
            f"Did you mean {like}?"
            if like
            else "Do not load it: a spool without a record has no verdict. Take it to receiving."
        )
        raise NotFound(f"There is no spool with the code {code}. {hint}")
    return row


def get_spool(code: str) -> dict[str, Any]:
    """Returns a spool with its lot.

    Raises:
        NotFound: no spool has this code.
    """
    row = _spool(code)
    return {
        **views.spool_line(row),
        "flow_factor": row.flow_factor,
        "delivery_id": row.delivery_id,
        "lot": views.lot(row.lot),
    }


def clearance(code: str, use: str, job: str | None, machine: str | None, mass_g: float | None) -> dict[str, Any]:
    """Returns whether a spool may be loaded, with every reason against it, cautions and settings. Two queries, one without a job.

    Raises:
        NotFound: no spool has this code.
    """
    row = _spool(code)
    now = clock.now()
    return {**_view(row, _clear(row, use, job, mass_g, now), use, job, machine), "checked_at": now}


def _clear(row: Any, use: str, job: str | None, mass_g: float | None, at: datetime) -> Clearance:
    lot = row.lot
    agreed = limits_from(lot.limits_revision.body) if lot.limits_revision else None
    pairs: list[PairMatch] = []
    if job is not None:
        rule = agreed.color if agreed and agreed.color else ColorLimits()
        others = loads.other_lots_in_job(job, lot.id, lot.grade.shade_id, lot.grade_id)
        mine = Lab(*lot.lab) if lot.lab else None
        pairs = match_pairs(mine, [(o.supplier_lot, _comparable_lab(lot, o), _step_max(o)) for o in others], rule)
    state = SpoolState(
        spool=row.code,
        lot=lot.supplier_lot,
        standing=lot.standing,
        uses=lot.uses,
        blocks=agreed.blocks if agreed else (),
        why=lot.why,
        by_hand=(lot.by_hand, lot.by_hand_reason) if lot.by_hand else None,
        nonconforming=[(why["uses"], why["message"]) for why in row.nonconforming or ()],
        concessions=[concessions.from_json(kept) for kept in lot.concessions],
        cautions=lot.grade.cautions,
        remaining_g=row.remaining_mass_g,
        loaded_on=row.machine,
        judged=lot.judged_at is not None,
    )
    return clear(state, use, pairs, use in _SHOWS_COLOR, mass_g, at)


def _step_max(other: Any) -> float | None:
    """The most that lots of one job may differ, by the limits the other lot is judged under."""
    if other.limits_revision is None:
        return None
    limit = (other.limits_revision.body.get("color") or {}).get("step_max")
    return None if limit is None else float(limit)


def _comparable_lab(lot: Any, other: Any) -> Lab | None:
    """The other lot's mean colour, when it was measured under the same conditions."""
    if not other.lab or not lot.shade_revision or not other.shade_revision:
        return None
    return Lab(*other.lab) if other.shade_revision.conditions == lot.shade_revision.conditions else None


def _view(row: Any, answer: Clearance, use: str, job: str | None, machine: str | None) -> dict[str, Any]:
    lot = row.lot
    return {
        "spool_code": row.code,
        "clear": answer.clear,
        "says": answer.says,
        "use": use,
        "job": job,
        "machine": machine,
        "lot_id": lot.id,
        "supplier_lot": lot.supplier_lot,
        "standing": lot.standing,
        "uses": lot.uses,
        "reasons": list(answer.reasons),
        "cautions": list(answer.cautions),
        "settings": _settings(row),
        "shade_match": None if job is None else [_pair(pair) for pair in answer.pairs],
        "remaining_mass_g": row.remaining_mass_g,
        "concession": answer.concession and concessions.view_of(answer.concession),
    }


def _settings(row: Any) -> dict[str, Any]:
    """What to set for this spool: flow from its own diameters, or its lot's when it was not measured itself; scales from its lot's coupons."""
    own = row.flow_factor is not None
    flow = row.flow_factor if own else row.lot.flow_factor
    shrink = row.lot.shrinkage
    scales = {f"scale_{axis}": scale_factor(shrink[axis]) if axis in shrink else None for axis in AXES}
    return {"flow_factor": flow, "flow_from": None if flow is None else "spool" if own else "lot", **scales}


def _pair(pair: PairMatch) -> dict[str, Any]:
    return {
        "supplier_lot": pair.lot,
        "delta_e": pair.delta_e,
        "limit": pair.limit,
        "within": pair.within,
        "direction": pair.direction,
    }


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
        lots.lock([_spool(code).lot_id])
        # Read again under the lock: a block that was acknowledged in between is seen here.
        row = _spool(code)
        loaded_at = values.get("loaded_at") or now
        if faults := _load_time_faults(row, loaded_at, now):
            raise Invalid(*faults)
        mass_g = values.get("mass_g")
        # A concession is asked about now and at the stated time: neither may lie after its end.
        answer = _clear(row, use, job, mass_g, max(now, loaded_at))
        asked = {"machine": machine, "job": job, "use": use}
        if not answer.clear:
            loads.refuse(row, asked, list(answer.reasons), by, now)
            return {**_view(row, answer, use, job, machine), "checked_at": now}, False
        under = answer.concession
        taken = (
            {}
            if under is None
            else {
                "concession": under.number,
                "reserved_g": reserved_g(under, row.remaining_mass_g, mass_g),
            }
        )
        stored = loads.add(row, {**asked, **taken, "loaded_at": loaded_at}, by, now)
        lots.put_on_machine(row, machine)
        if under is not None:
            concessions.refresh(row.lot)
        view = {**views.load(stored), "cautions": list(answer.cautions), "settings": _settings(row)}
        return {**view, "concession": under and concessions.view_of(under)}, True


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
            raise NotFound(f"There is no load {load_id}. GET /v1/loads lists them.")
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
        return views.load(loads.find(load_id))


def listed(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """Returns a page of loads."""
    return loads.listed(filters, cursor, limit).map(views.load)


def refusals(cursor: str | None, limit: int) -> Page:
    """Returns a page of refused loads with their reasons."""
    return loads.refusals(cursor, limit).map(views.load_refusal)
