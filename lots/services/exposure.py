"""Traceability: from a lot to its machines and jobs, from a job to its lots, and containments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from lots.domain.assessment.limits_revision import limits_from, verdict_on_use
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.code_identity import has_control
from lots.domain.production.changes import Change, Stand, containment_opened
from lots.domain.production.tracing import LONGEST_GAP, Doubt, Reach, Stay, lots_of_job, reached_by
from lots.domain.words import clause, moment
from lots.services import clock, views
from lots.services.errors import Conflict, NotFound
from lots.services.lookups import unknown
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import decisions, lots
from lots.store.engine.database import connect, transaction
from lots.store.engine.paging import Page
from lots.store.production import tracing
from lots.store.receiving import samples
from lots.store.setup import names
from lots.store.tables.decisions import Decision
from lots.store.tables.loads import Containment, Job, Load
from lots.store.tables.models import Lot

# Loads as stays, by number, each with its row.
StaysByLoad = dict[int, tuple[Stay, Load]]


def _stays(rows: Sequence[Load]) -> StaysByLoad:
    further = tracing.further_lots(row.spool_id for row in rows if row.spool.spliced)
    return {
        row.id: (
            Stay(
                row.id,
                frozenset({row.lot_id, *further.get(row.spool_id, ())}),
                **views.place(row),
                start=row.loaded_at,
                end=row.unloaded_at,
                slots=row.on_machine.slots if row.on_machine else 1,
            ),
            row,
        )
        for row in rows
    }


def _loads_around(rows: Sequence[Load]) -> StaysByLoad:
    """Returns every load on the machines of these loads, within `LONGEST_GAP` before the first and after the last."""
    if not rows:
        return {}
    since = min(row.loaded_at for row in rows) - LONGEST_GAP
    # A load may begin later than now where the clock was set back.
    until = max(row.unloaded_at or max(clock.now(), row.loaded_at) for row in rows) + LONGEST_GAP
    return _stays(tracing.loads_on({row.on_machine_id for row in rows if row.on_machine_id is not None}, since, until))


def exposure(lot: Lot) -> views.Exposure:
    """Returns every machine and job that a lot reached. Two or three queries.

    Spools still loaded come first, then the newest loads, then those that are only possible.
    """
    known = _loads_around(tracing.loads_of_lot(lot.id))
    reaches = reached_by(lot.id, [stay for stay, _ in known.values()])
    reaches.sort(key=lambda r: (not r.certain, r.stay.end is not None, -r.stay.start.timestamp(), -r.stay.load_id))
    rows = {number: row for number, (_, row) in known.items()}
    return views.exposure(lot, [_reach_view(reach, rows) for reach in reaches])


def _reach_view(reach: Reach, rows: Mapping[int, Load]) -> views.Reached:
    row = rows[reach.stay.load_id]
    return {
        "load_id": row.id,
        "spool_code": row.spool.code,
        "suspect_spool_code": rows[reach.by.load_id].spool.code,
        **views.place(row),
        "use": row.use,
        "loaded_at": row.loaded_at,
        "unloaded_at": row.unloaded_at,
        "still_loaded": row.unloaded_at is None,
        "mass_used_g": None if row.remaining_mass_g is None else row.mass_before_g - row.remaining_mass_g,
        "certainty": "certain" if reach.certain else "possibly",
        "gap": reach.doubt.says if reach.doubt else None,
    }


def job(name: str) -> View:
    """Returns a job's loads, and for each of its lots the deliveries, orders and decision.

    Raises:
        NotFound: no spool was ever loaded for this job.
    """
    row = _job_of(name)
    rows = tracing.loads_of_job(row.id)
    known = _loads_around(rows)
    certain, possible = lots_of_job(row.number, [stay for stay, _ in known.values()])
    came = tracing.deliveries_of({*certain, *possible})
    changed = samples.changes_of((delivery.id for delivery in came), withdrawn=False)
    begun = {
        number: min(load.loaded_at for load in rows if number in known[load.id][0].lots)
        for number in {lot for load in rows for lot in known[load.id][0].lots}
    }
    then, behind = decisions.in_force_at(begun), lots.all_with_names({*certain, *possible})
    found = []
    for number, lot in sorted(behind.items()):
        deliveries = [views.delivery(delivery, changed[delivery.id]) for delivery in came if delivery.lot_id == number]
        doubt = None if number in certain else possible[number]
        found.append(_lot_behind(lot, doubt, deliveries, then.get(number)))
    return {"job": row.number, "loads": [views.load(row) for row in rows], "lots": found}


def _lot_behind(lot: Lot, doubt: Doubt | None, deliveries: list[View], then: Decision | None) -> View:
    """Returns a lot of a job with its deliveries and the decision in force when it was first loaded there."""
    return {
        "lot": views.lot(lot),
        "certainty": "certain" if doubt is None else "possibly",
        "gap": None if doubt is None else doubt.says,
        "deliveries": deliveries,
        "order_refs": [delivery["order_ref"] for delivery in deliveries if delivery["order_ref"]],
        "decision_at_loading": views.decision(then) if then else None,
    }


def _job_of(name: str) -> Job:
    row: Job | None = None if has_control(name) else names.known("job", name)
    if row is None:
        like = [] if has_control(name) else names.similar("job", name)
        meant = f"Did you mean {' or '.join(like)}?" if like else "See the list of jobs."
        raise NotFound(
            f"Job {name} does not exist. {meant}", candidates=[{"field": "job", "name": one} for one in like]
        )
    return row


def open_containments(lot: Lot, before: Stand, decision: Decision, now: datetime) -> list[Change]:
    """Opens a containment for each load of a lot whose use it has just lost, in the caller's transaction.

    Returns the changes, each with the number of its containment.

    Args:
        lot: the lot after the decision.
        before: its status and uses before.
        decision: the decision that took it out of use.
    """
    if before.standing not in LOADABLE:
        return []
    blocks = limits_from(lot.limits_revision.body).blocks if lot.limits_revision else ()

    def lost(use: str) -> bool:
        fit_now = lot.standing in LOADABLE and verdict_on_use(lot.uses, blocks, use) == "pass"
        return verdict_on_use(before.uses, blocks, use) == "pass" and not fit_now

    known = _loads_around(tracing.loads_of_lot(lot.id))
    cared_for = tracing.contained(lot.id) if known else set()
    reached = [
        (reach, decision.reason if reach.doubt is None else _possibly(decision.reason, reach, known))
        for reach in reached_by(lot.id, [stay for stay, _ in known.values()])
        if reach.stay.load_id not in cared_for and lost(known[reach.stay.load_id][1].use)
    ]
    numbers = tracing.contain(
        {
            "lot": lot,
            "load": reach.stay.load_id,
            "decision": decision,
            "certain": reach.certain,
            "why": why,
            "opened_at": now,
        }
        for reach, why in reached
    )
    return [
        _opened(number, lot, why, reach, known[reach.stay.load_id][1])
        for number, (reach, why) in zip(numbers, reached, strict=True)
    ]


def _opened(number: int, lot: Lot, why: str, reach: Reach, load: Load) -> Change:
    """Returns the change that a containment adds to the feed."""
    place = views.change_place(load, lot)
    return containment_opened(number, place, why, certain=reach.certain, loaded=load.unloaded_at is None)


def _possibly(reason: str, reach: Reach, known: StaysByLoad) -> str:
    """Returns the reason for a possible containment, with the suspect spool."""
    suspect = known[reach.by.load_id][1].spool.code
    return f"{clause(reason)} Possibly: {reach.doubt and reach.doubt.says}. The suspect spool is {suspect}."


def containments(filters: Mapping[str, object], cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of containments."""
    return tracing.containments(filters, cursor, limit).map(_containment_view)


def containment(number: int) -> View:
    """Returns one containment. One query.

    Raises:
        NotFound: no such containment.
    """
    row = tracing.containment(number)
    if row is None:
        raise NotFound(unknown("containment", number))
    return _containment_view(row)


def must_come_off() -> list[View]:
    """Returns the loaded spools whose lot has lost the use they are loaded for, the longest contained first. One query.

    Spools that a lot only possibly reached are left out, because they are of another lot and may be good.
    """
    # Every page calls this, some after their connection was closed.
    connect()
    # A spool that holds several lots is listed once.
    first = {row.load_id: row for row in reversed(tracing.still_on_machines())}
    return [
        {"spool_code": row.load.spool.code, **views.place(row.load), "supplier_lot": row.lot.supplier_lot}
        for row in sorted(first.values(), key=lambda row: int(row.id))
    ]


def _containment_view(row: Containment) -> View:
    fields = ("id", "lot_id", "load_id", "why", "opened_at", "closed_at", "closed_by", "note")
    load = row.load
    return {
        **{name: getattr(row, name) for name in fields},
        "supplier_lot": row.lot.supplier_lot,
        "certainty": "certain" if row.certain else "possibly",
        "spool_code": load.spool.code,
        **views.place(load),
        "says": _to_do(row),
        "use": load.use,
        "loaded_at": load.loaded_at,
        "unloaded_at": load.unloaded_at,
        "still_loaded": load.unloaded_at is None,
    }


def _to_do(row: Containment) -> str:
    """Returns the instruction of a containment: the spool to unload, or the machine and times to check.

    A possible containment names no spool, because the recorded spool is of another lot and may be good.
    """
    load, place = row.load, views.place(row.load)
    machine, job = place["machine"], place["job"]
    if row.certain and load.unloaded_at is None:
        return f"Take spool {load.spool.code} off {machine}, job {job}."
    time = f"since {moment(load.loaded_at)}"
    if load.unloaded_at is not None:
        time = f"from {moment(load.loaded_at)} to {moment(load.unloaded_at)}"
    check = "" if row.certain else f"Check whether {machine} ran with filament of lot {row.lot.supplier_lot}, {time}. "
    return f"{check}Set aside the parts of job {job} printed on {machine} {time}."


def close_containment(number: int, note: str, by: str) -> View:
    """Closes a containment, with a note of the action taken.

    Raises:
        NotFound: no such containment.
        Conflict: it is already closed.
    """
    with transaction():
        row = tracing.containment(number)
        if row is None:
            raise NotFound(unknown("containment", number))
        now = clock.now()
        if not tracing.close_containment(number, by, note, now):
            raise Conflict(f"Containment {number} was already closed by {row.closed_by}: {row.note}")
        audit.note(row.lot_id, "containment closed", by, now, {"containment": [number]})
        return _containment_view(tracing.containment(number) or row)
