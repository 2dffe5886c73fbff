"""Forward from a lot to every machine and job, backward from a job to every lot, and the list of what has to be looked after."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from lots.desks import clock, views
from lots.desks.errors import Conflict, NotFound
from lots.domain.agreed import limits_from, verdict_on_use
from lots.domain.standing import LOADABLE
from lots.domain.tracing import LONGEST_GAP, Reach, Stay, lots_of_job, reached_by
from lots.store import decisions, history, lots, samples, tracing
from lots.store.database import transaction
from lots.store.paging import Page


def _stays(rows: list[Any]) -> dict[int, tuple[Stay, Any]]:
    """Loads as stays, by number, each with its row."""
    further = tracing.further_lots(row.spool_id for row in rows if row.spool.spliced)
    return {
        row.id: (
            Stay(
                row.id,
                frozenset({row.lot_id, *further.get(row.spool_id, ())}),
                row.machine,
                row.job,
                row.loaded_at,
                row.unloaded_at,
            ),
            row,
        )
        for row in rows
    }


def _around(rows: list[Any]) -> dict[int, tuple[Stay, Any]]:
    """All that was on the machines of these loads, from a while before the first to a while after the last."""
    if not rows:
        return {}
    since = min(row.loaded_at for row in rows) - LONGEST_GAP
    until = max(row.unloaded_at or clock.now() for row in rows) + LONGEST_GAP
    return _stays(tracing.loads_on({row.machine for row in rows}, since, until))


def exposure(lot: Any) -> dict[str, Any]:
    """Returns every machine and job that a lot has reached: what is still loaded first, then the newest, then what is only possible.

    Two or three queries, however many loads there are.
    """
    known = _around(tracing.loads_of_lot(lot.id))
    reaches = reached_by(lot.id, [stay for stay, _ in known.values()])
    reaches.sort(key=lambda r: (not r.certain, r.stay.end is not None, -r.stay.start.timestamp(), -r.stay.load_id))
    return views.exposure(lot, [_reach_view(reach, known[reach.stay.load_id][1]) for reach in reaches])


def _reach_view(reach: Reach, row: Any) -> dict[str, Any]:
    return {
        "load_id": row.id,
        "spool_code": row.spool.code,
        "machine": row.machine,
        "job": row.job,
        "use": row.use,
        "loaded_at": row.loaded_at,
        "unloaded_at": row.unloaded_at,
        "still_loaded": row.unloaded_at is None,
        "mass_used_g": None if row.remaining_mass_g is None else row.mass_before_g - row.remaining_mass_g,
        "certainty": "certain" if reach.certain else "possibly",
        "gap": reach.gap.says if reach.gap else None,
    }


def job(name: str) -> dict[str, Any]:
    """Returns everything behind a job: its loads, and for each lot the deliveries, orders, readings, decision and revisions it rests on.

    Raises:
        NotFound: nothing was ever loaded for a job of this name.
    """
    rows = tracing.loads_of_job(name)
    if not rows:
        raise NotFound(f"Nothing was ever loaded for a job {name}. Names are taken as they were typed.")
    known = _around(rows)
    certain, possible = lots_of_job(name, [stay for stay, _ in known.values()])
    came = tracing.deliveries_of({*certain, *possible})
    changed = samples.changes_of((delivery.id for delivery in came), withdrawn=False)
    found = []
    for number in sorted({*certain, *possible}):
        lot = lots.find(number)
        started = [row.loaded_at for row in rows if number in known[row.id][0].lots]
        then = decisions.in_force(number, min(started)) if started else None
        deliveries = [views.delivery(delivery, changed[delivery.id]) for delivery in came if delivery.lot_id == number]
        found.append(
            {
                "lot": views.lot(lot),
                "certainty": "certain" if number in certain else "possibly",
                "gap": None if number in certain else possible[number].says,
                "deliveries": deliveries,
                "order_refs": [d["order_ref"] for d in deliveries if d["order_ref"]],
                "decision_at_loading": views.decision(then) if then else None,
            }
        )
    return {"job": name, "loads": [views.load(row) for row in rows], "lots": found}


def open_containments(lot: Any, before: tuple[str, dict[str, str]], decision: Any, now: datetime) -> list[int]:
    """Opens a containment for each place a lot had reached for a use that it has just lost, in the caller's transaction.

    Returns their numbers.

    Args:
        lot: as it stands now.
        before: (standing, verdict per use) until now.
        decision: what took it out of use.
    """
    standing, uses = before
    if standing not in LOADABLE:
        return []
    blocks = limits_from(lot.limits_revision.body).blocks if lot.limits_revision else ()

    def lost(use: str) -> bool:
        fit_now = lot.standing in LOADABLE and verdict_on_use(lot.uses, blocks, use) == "pass"
        return verdict_on_use(uses, blocks, use) == "pass" and not fit_now

    known = _around(tracing.loads_of_lot(lot.id))
    cared_for = tracing.contained(lot.id) if known else set()
    return tracing.contain(
        [
            {
                "lot": lot,
                "load": reach.stay.load_id,
                "decision": decision,
                "certain": reach.certain,
                "why": decision.reason if reach.gap is None else f"{decision.reason} Possibly: {reach.gap.says}.",
                "opened_at": now,
            }
            for reach in reached_by(lot.id, [stay for stay, _ in known.values()])
            if reach.stay.load_id not in cared_for and lost(known[reach.stay.load_id][1].use)
        ]
    )


def containments(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """Returns a page of containments."""
    return tracing.containments(filters, cursor, limit).map(_containment_view)


def _containment_view(row: Any) -> dict[str, Any]:
    fields = ("id", "lot_id", "load_id", "why", "opened_at", "closed_at", "closed_by", "note")
    load = row.load
    return {
        **{name: getattr(row, name) for name in fields},
        "supplier_lot": row.lot.supplier_lot,
        "certainty": "certain" if row.certain else "possibly",
        "spool_code": load.spool.code,
        "machine": load.machine,
        "job": load.job,
        "use": load.use,
        "loaded_at": load.loaded_at,
        "unloaded_at": load.unloaded_at,
        "still_loaded": load.unloaded_at is None,
    }


def close_containment(number: int, note: str, by: str) -> dict[str, Any]:
    """Closes a containment by a named person, with what was done.

    Raises:
        NotFound: no such containment.
        Conflict: it was closed already.
    """
    with transaction():
        row = tracing.containment(number)
        if row is None:
            raise NotFound(f"There is no containment {number}. The list of containments has those there are.")
        now = clock.now()
        if not tracing.close_containment(number, by, note, now):
            raise Conflict(f"Containment {number} was closed by {row.closed_by} already: {row.note}")
        history.note(row.lot_id, "containment closed", by, now, {"containment": [number]})
        return _containment_view(tracing.containment(number))
