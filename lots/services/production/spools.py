"""Spools in stock: details, opening, drying and respooling."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.production.clearance import unlike
from lots.domain.words import moment
from lots.services import clock, views
from lots.services.assessment.lot_assessment import drawn_of
from lots.services.errors import AlreadyThere, Conflict, Fault, Invalid
from lots.services.lookups import lot_of, spool_of, withdrawn
from lots.services.production import lot_uses
from lots.services.production.clearance import lots_held
from lots.services.production.job_colors import pairs_among
from lots.services.production.settings import length_left_m
from lots.services.receiving.receiving import free_codes
from lots.services.views import View
from lots.store import audit
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.production import shelf, tracing
from lots.store.receiving import deliveries, samples
from lots.store.setup import spool_codes
from lots.store.tables.models import Lot, Spool, SpoolParent

_NOT_USABLE = ("blocked", "returned", "scrapped")
_HIDDEN_ONLY = "Use it only where colour does not show."


def get_spool(code: str) -> View:
    """Returns a spool with its lot, the spools it was respooled from, and the other lots it holds.

    Raises:
        NotFound: no spool has this code.
    """
    row = spool_of(code)
    parents = lots.parents_of(row) if row.spliced else []
    further = tracing.further_lots([row.id]).get(row.id, []) if row.spliced else []
    return {
        **views.spool_line(row, row.lot),
        "flow_factor": row.flow_factor,
        "length_m": length_left_m(row),
        "delivery_id": row.delivery_id,
        "lot": views.lot(row.lot),
        "parents": [{"spool_code": one.parent.code, "mass_g": one.mass_g} for one in parents],
        "further_lots": [views.lot_line(lot_of(number)) for number in further],
    }


def sheet(code: str) -> View:
    """Returns a spool for its page: its lot, its permitted uses, the filament left, and respooling from and onto other spools.

    At most eight queries.

    Raises:
        NotFound: no spool has this code.
    """
    row = spool_of(code)
    lot, grade, delivery = row.lot, row.lot.grade, row.delivery
    draws = drawn_of(deliveries.current(delivery).sample, samples.changes_of([delivery.id])[delivery.id])
    return {
        **views.spool_line(row, lot),
        "length_m": length_left_m(row),
        "lot": views.lot(lot),
        "lots": [views.lot_line(one) for one in lots_held(row)],
        "uses": lot_uses.of_spool(row),
        "nominal_diameter_mm": grade.nominal_diameter_mm,
        "dry_c": grade.dry_c,
        "dry_h": grade.dry_h,
        "delivery_id": delivery.id,
        "received_at": delivery.came_at,
        "measure_first": any(row.code in codes for codes in draws),
        "parents": _links(lots.parents_of(row), "parent") if row.spliced else [],
        "wound_onto": _links(shelf.wound_onto(row.id), "spool"),
    }


def _links(rows: Sequence[SpoolParent], end: str) -> list[View]:
    """Returns transfers between spools: the spool at one end, the mass, the time and the person."""
    return [
        {"spool_code": getattr(row, end).code, "mass_g": row.mass_g, "at": row.recorded_at, "by": row.recorded_by}
        for row in rows
    ]


def note(code: str, event: str, at: datetime | None, by: str) -> View:
    """Records that a spool was opened or dried.

    Raises:
        NotFound: no spool has this code.
        Invalid: the time is in the future, or before the delivery.
        Conflict: it was already opened.
    """
    now = clock.now()
    with transaction():
        row = spool_of(code)
        # After the clock was set back, the time of the delivery is used.
        when = at or max(now, row.delivery.came_at)
        faults = clock.doubt_future("/at", at, now)
        if when < row.delivery.came_at:
            detail = f"{moment(when)} is before the delivery of the spool, at {moment(row.delivery.came_at)}."
            faults.append(Fault("/at", detail, "State a time after the delivery."))
        if faults:
            raise Invalid(*faults)
        if row.withdrawn_at is not None:
            raise Conflict(f"{withdrawn(row)} Take it to quality.")
        if event == "opened" and row.opened_at is not None:
            raise Conflict(f"Spool {row.code} was already opened at {moment(row.opened_at)}.")
        lots.note_life(row, {f"{event}_at": when})
        audit.note(row.lot_id, f"spool {event}", by, now, {"spool": [row.id]}, {f"{event}_at": when})
        return get_spool(code)


class ParentSent(TypedDict):
    """A source spool in a request to respool."""

    spool_code: str
    mass_g: float


class WindSent(TypedDict):
    """A request to respool."""

    parents: list[ParentSent]
    code: NotRequired[str]


def wind(values: WindSent, by: str) -> View:
    """Respools filament of one or more spools onto a new one. Its status is the worst of the lots it holds.

    Raises:
        NotFound: a source spool does not exist.
        Invalid: a source spool is named twice, lacks the mass, is on a machine, of another grade, withdrawn, returned or scrapped.
        AlreadyThere: the new code is taken.

    Notes:
        Lots that do not match are allowed, because the spool can serve where colour does not show. `warnings` lists them.
    """
    now = clock.now()
    with transaction():
        named = [(spool_of(entry["spool_code"]), entry["mass_g"]) for entry in values["parents"]]
        lots.lock(parent.lot_id for parent, _ in named)
        named = [(spool_of(parent.code), mass) for parent, mass in named]
        if faults := _parent_faults(named):
            raise Invalid(*faults)
        heaviest = max(named, key=lambda entry: entry[1])[0]
        code = values.get("code") or next(free_codes(heaviest.lot, set()))
        if known := spool_codes.taken([code]).get(code):
            on = "another spool" if known == code else f"another spool as {known}"
            raise AlreadyThere(
                f"The code {code} is on {on}. Use a new label, or leave the code empty to get a new one."
            )
        wound = lots.wind(code, heaviest.lot, heaviest.delivery, named, by, now)
        for lot_id in sorted({parent.lot_id for parent, _ in named}):
            taken_from = [parent.id for parent, _ in named if parent.lot_id == lot_id]
            if lot_id == heaviest.lot_id:
                audit.note(lot_id, "spool wound", by, now, {**wound, "spool": [*wound["spool"], *taken_from]})
            else:
                audit.note(lot_id, "filament taken", by, now, {"spool": taken_from})
        return {**get_spool(code), "warnings": _warnings("This spool holds", lots_held(spool_of(code)))}


def to_wind(values: WindSent) -> View:
    """Returns the spool that respooling would make, and the mass left on each source spool. Stores nothing.

    Raises:
        NotFound: a source spool does not exist.
        Invalid: as in `wind`.
    """
    named = [(spool_of(entry["spool_code"]), entry["mass_g"]) for entry in values["parents"]]
    if faults := _parent_faults(named):
        raise Invalid(*faults)
    held = {lot.id: lot for parent, _ in named for lot in lots_held(parent)}
    return {
        "mass_g": sum(mass for _, mass in named),
        "grade": named[0][0].lot.grade.code,
        "warnings": _warnings("The new spool would hold", list(held.values())),
        "parents": [
            {
                "spool_code": parent.code,
                "supplier_lot": parent.lot.supplier_lot,
                "standing": parent.lot.standing,
                "mass_g": mass,
                "left_g": parent.remaining_mass_g - mass,
            }
            for parent, mass in named
        ],
    }


def _warnings(begin: str, held: Sequence[Lot]) -> list[str]:
    """Returns a warning for each pair of lots on one spool that do not match within one job, and for each lot that is not usable."""
    apart = [pair for pair in pairs_among(held) if pair.within is not True]
    not_usable = [lot for lot in held if lot.standing in _NOT_USABLE]
    end = "" if not_usable else f" {_HIDDEN_ONLY}"
    return [
        *(f"{begin} lots {pair.lot} and {pair.of}. {unlike(pair)}{end}" for pair in apart),
        *(f"Lot {lot.supplier_lot} is {lot.standing}, so the new spool cannot be loaded." for lot in not_usable),
    ]


def _parent_faults(named: Sequence[tuple[Spool, float]]) -> list[Fault]:
    faults: list[Fault] = []
    seen: set[int] = set()
    for index, (parent, mass) in enumerate(named):
        at = f"/parents/{index}"
        if parent.id in seen:
            faults.append(Fault(f"{at}/spool_code", f"Spool {parent.code} is named twice.", "Add up the masses."))
        seen.add(parent.id)
        if mass > parent.remaining_mass_g:
            left = f"{parent.remaining_mass_g:g} g are left on spool {parent.code}, less than {mass:g} g."
            faults.append(Fault(f"{at}/mass_g", left, "Weigh the spool again."))
        if parent.withdrawn_at is not None:
            faults.append(Fault(f"{at}/spool_code", withdrawn(parent), "Put the spool aside."))
        if parent.machine is not None:
            faults.append(Fault(f"{at}/spool_code", f"Spool {parent.code} is on {parent.machine}.", "Unload it first."))
        if parent.lot.grade_id != named[0][0].lot.grade_id:
            detail = f"Spool {parent.code} is of grade {parent.lot.grade.code}, not {named[0][0].lot.grade.code}."
            faults.append(Fault(f"{at}/spool_code", detail, "Respool only one grade onto a spool."))
        if parent.lot.by_hand in ENDINGS:
            detail = f"The lot of spool {parent.code} was {parent.lot.standing}."
            faults.append(Fault(f"{at}/spool_code", detail, "Put the spool aside."))
    return faults
