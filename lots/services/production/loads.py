"""Loading of spools onto machines, and unloading."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain import words
from lots.domain.assessment.concessions import reserved_g
from lots.domain.production.changes import spool_loaded, spool_unloaded
from lots.domain.words import moment
from lots.services import clock, views
from lots.services.assessment import concessions
from lots.services.errors import Conflict, Fault, Invalid, NotFound, SimilarName
from lots.services.lookups import spool_of, unknown
from lots.services.production.clearance import Ask, Place, candidates, compute_clearance, view
from lots.services.setup import grade_uses
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.production import loads, tracing
from lots.store.tables.models import Spool


class LoadSent(TypedDict):
    """The request to load a spool."""

    spool_code: str
    machine: str
    job: str
    use: str
    loaded_at: NotRequired[datetime]
    mass_g: NotRequired[float]
    match_max: NotRequired[float]
    confirm_new_job: NotRequired[bool]
    confirm_new_machine: NotRequired[bool]


def load(values: LoadSent, by: str) -> tuple[View, bool]:
    """Loads a spool onto a machine if it is clear. Otherwise records the refusal with its reasons.

    Returns:
        (the load, True), or (the clearance with its reasons, False). A refusal is not an exception, which would roll back its record.

    Raises:
        NotFound: no spool has this code.
        Invalid: the time of loading is in the future, or before the spool was last unloaded.
        SimilarName: the spool is clear, but the name of a new job or machine is similar to a known one and not confirmed.
    """
    now = clock.now()
    code, use, job, machine = values["spool_code"], values["use"], values["job"], values["machine"]
    with transaction():
        first = spool_of(code)
        lots.lock([first.lot_id, *tracing.further_lots([first.id] if first.spliced else []).get(first.id, ())])
        # Read again under the lock, because the lot may have been blocked in between.
        row = spool_of(code)
        last = loads.last_unload_of(row)
        # After the clock was set back, the time of the last unload is used.
        loaded_at = values.get("loaded_at") or max(now, last or now)
        if faults := _load_time_faults(row, values.get("loaded_at"), last, now):
            raise Invalid(*faults)
        mass_g = values.get("mass_g")
        # A concession must be valid both now and at the stated time.
        ask = Ask(use, job, machine, mass_g, values.get("match_max"))
        found = compute_clearance(row, ask, max(now, loaded_at))
        answer = found.clearance
        asked = {"machine": machine, "job": job, "use": use}
        if not answer.clear:
            refusal = loads.refuse(row, asked, list(answer.reasons), by, now)
            audit.note(row.lot_id, "load refused", by, now, {"load_refusal": [refusal.id]})
            return {**view(row, found, ask), "checked_at": now}, False
        _check_names(found.place, values)
        under = answer.concession
        new: loads.NewLoad = {"machine": machine, "job": job, "use": use, "loaded_at": loaded_at}
        if under is not None:
            new["concession"] = under.number
            new["reserved_g"] = reserved_g(under, row.remaining_mass_g, mass_g)
        stored, made = loads.add(row, new, by, now)
        told = {**views.load(stored), "cautions": list(answer.cautions), "settings": found.settings.values}
        lots.put_on_machine(row, views.place(stored)["machine"])
        if row.opened_at is None:
            lots.note_life(row, {"opened_at": loaded_at})
        if under is not None:
            concessions.refresh(row.lot)
        named = {table: numbers for table in ("job", "machine") if (numbers := made.pop(table))}
        loaded = spool_loaded(views.change_place(stored, row.lot))
        audit.note(row.lot_id, "spool loaded", by, now, {**made, "spool": [row.id]}, changes=[loaded])
        if named:
            # Jobs and machines belong to the shop's history, not to that of a lot.
            audit.note(None, "job or machine added", by, now, named)
        permission = answer.permission and grade_uses.permission_view(answer.permission)
        return {**told, "concession": under and concessions.view_of(under), "permission": permission}, True


def _check_names(place: Place, values: LoadSent) -> None:
    """Raises SimilarName for a new name similar to a known one, because a misread name would split the job's matching and tracing."""
    doubtful = [one for one in place.misread if not values.get(f"confirm_new_{one.field}")]
    if doubtful:
        faults = [
            Fault(
                f"/{one.field}",
                f"{one.typed} differs from {words.listed(one.alike, 'or')} only by separators or by characters that are easily confused.",
                f"Give the known {one.field}, or confirm that this is another {one.field}.",
                confirm=f"confirm_new_{one.field}",
            )
            for one in doubtful
        ]
        detail = " ".join(one.says for one in doubtful)
        raise SimilarName(detail, faults=tuple(faults), candidates=candidates(Place(misread=doubtful)))


def _load_time_faults(row: Spool, stated: datetime | None, last: datetime | None, now: datetime) -> list[Fault]:
    faults = clock.doubt_future("/loaded_at", stated, now)
    if stated is not None and last is not None and stated < last:
        faults.append(
            Fault(
                "/loaded_at",
                f"Spool {row.code} was unloaded from another machine later, at {moment(last)}.",
                "Give a time of loading after that.",
            )
        )
    return faults


def unload(load_id: int, remaining_mass_g: float, unloaded_at: datetime | None, by: str) -> View:
    """Unloads a spool and records the mass used.

    Raises:
        NotFound: no such load.
        Conflict: the spool is already unloaded.
        Invalid: more filament is left than was loaded, or the time is in the future or before loading.
    """
    now = clock.now()
    with transaction():
        first = loads.find(load_id)
        if first is None:
            raise NotFound(unknown("load", load_id))
        lot = lots.lock([first.lot_id])[first.lot_id]
        # Read again under the lock, because it may have been unloaded in between.
        row = loads.find(load_id) or first
        # After the clock was set back, the time of loading is used.
        at = unloaded_at or max(now, row.loaded_at)
        if row.unloaded_at is not None:
            raise Conflict(
                f"Spool {row.spool.code} was already unloaded from {views.place(row)['machine']} at {moment(row.unloaded_at)}."
            )
        faults = clock.doubt_future("/unloaded_at", unloaded_at, now)
        if at < row.loaded_at:
            faults.append(
                Fault(
                    "/unloaded_at",
                    f"Spool {row.spool.code} was loaded later, at {moment(row.loaded_at)}.",
                    "Give a time of unloading after that.",
                )
            )
        if remaining_mass_g > row.mass_before_g:
            faults.append(
                Fault(
                    "/remaining_mass_g",
                    f"{remaining_mass_g:g} g left is more than the {row.mass_before_g:g} g on the spool when it was loaded.",
                    "Weigh the spool again, and subtract the mass of the empty reel.",
                )
            )
        if faults:
            raise Invalid(*faults)
        loads.complete(row, remaining_mass_g, at, by, now)
        lots.take_off_machine(row.spool_id, remaining_mass_g)
        if row.concession_id is not None:
            concessions.refresh(lot)
        came_off = spool_unloaded(views.change_place(row, lot), remaining_mass_g)
        written = {"load": [load_id], "spool": [row.spool_id]}
        audit.note(row.lot_id, "spool unloaded", by, now, written, changes=[came_off])
        return views.load(loads.find(load_id) or row)


def listed(filters: Mapping[str, object], cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of loads."""
    return loads.listed(filters, cursor, limit).map(views.load)


def refusals(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of refused loads with their reasons."""
    return loads.refusals(cursor, limit).map(views.load_refusal)
