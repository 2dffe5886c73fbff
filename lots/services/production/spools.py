"""Spools on the shelf: shown, opened, dried, wound together."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.assessment.standing_by_hand import ENDINGS
from lots.domain.production.clearance import unlike
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

_HIDDEN_ONLY = "Use it only where colour does not show."


def get_spool(code: str) -> View:
    """Returns a spool with its lot, the spools it was wound from, and the further lots it holds.

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
    """Returns a spool as its page shows it: what it is, what it may be loaded for, what is left, and where its filament came from and went.

    Eight queries at most, however much it holds.

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
    """Filament that went from spool to spool: the spool at one end of each way, the mass, when and by whom."""
    return [
        {"spool_code": getattr(row, end).code, "mass_g": row.mass_g, "at": row.recorded_at, "by": row.recorded_by}
        for row in rows
    ]


def note(code: str, event: str, at: datetime | None, by: str) -> View:
    """Notes that a spool was opened or dried.

    Raises:
        NotFound: no spool has this code.
        Invalid: a time still to come, or before the spool came.
        Conflict: it was opened before.
    """
    now = clock.now()
    with transaction():
        row = spool_of(code)
        # Where the clock was set back, nothing happens to a spool before it came.
        moment = at or max(now, row.delivery.came_at)
        faults = clock.doubt_future("/at", at, now)
        if moment < row.delivery.came_at:
            faults.append(Fault("/at", "The spool had not come by then.", "State a time after its delivery."))
        if faults:
            raise Invalid(*faults)
        if row.withdrawn_at is not None:
            raise Conflict(f"{withdrawn(row)} Take it to quality.")
        if event == "opened" and row.opened_at is not None:
            raise Conflict(f"Spool {row.code} was opened at {row.opened_at:%Y-%m-%d %H:%M} UTC already.")
        lots.note_life(row, {f"{event}_at": moment})
        audit.note(row.lot_id, f"spool {event}", by, now, {"spool": [row.id]}, {f"{event}_at": moment})
        return get_spool(code)


class ParentSent(TypedDict):
    """A spool to wind from, as it is sent."""

    spool_code: str
    mass_g: float


class WindSent(TypedDict):
    """A spool to wind from others, as it is sent."""

    parents: list[ParentSent]
    code: NotRequired[str]


def wind(values: WindSent, by: str) -> View:
    """Winds filament of one or more spools onto a new one. It holds all their lots, and is as good as the worst of them.

    Raises:
        NotFound: a parent has no record.
        Invalid: a parent named twice, with more mass than it has, on a machine, of another grade, or gone.
        AlreadyThere: the new code is taken.

    Notes:
        Lots that do not match each other are wound all the same, since the spool may serve where colour does not show; `warnings` says so.
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
            raise AlreadyThere(f"The code {code} is on {on}. Stick on a new one, or leave code out to be given one.")
        wound = lots.wind(code, heaviest.lot, heaviest.delivery, named, by, now)
        for lot_id in sorted({parent.lot_id for parent, _ in named}):
            taken_from = [parent.id for parent, _ in named if parent.lot_id == lot_id]
            if lot_id == heaviest.lot_id:
                audit.note(lot_id, "spool wound", by, now, {**wound, "spool": [*wound["spool"], *taken_from]})
            else:
                audit.note(lot_id, "filament taken", by, now, {"spool": taken_from})
        return {**get_spool(code), "warnings": _unlike(lots_held(spool_of(code)))}


def to_wind(values: WindSent) -> View:
    """Returns what winding would make and what it would leave on each parent. Nothing is stored.

    Raises:
        NotFound: a parent has no record.
        Invalid: as in `wind`.
    """
    named = [(spool_of(entry["spool_code"]), entry["mass_g"]) for entry in values["parents"]]
    if faults := _parent_faults(named):
        raise Invalid(*faults)
    held = {lot.id: lot for parent, _ in named for lot in lots_held(parent)}
    return {
        "mass_g": sum(mass for _, mass in named),
        "grade": named[0][0].lot.grade.code,
        "warnings": _unlike(list(held.values())),
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


def _unlike(held: Sequence[Lot]) -> list[str]:
    """A warning for each two lots on one spool that do not match within one job."""
    apart = [pair for pair in pairs_among(held) if pair.within is not True]
    return [f"This spool holds lots {pair.lot} and {pair.of}. {unlike(pair)} {_HIDDEN_ONLY}" for pair in apart]


def _parent_faults(named: Sequence[tuple[Spool, float]]) -> list[Fault]:
    faults: list[Fault] = []
    seen: set[int] = set()
    for index, (parent, mass) in enumerate(named):
        at = f"/parents/{index}"
        if parent.id in seen:
            faults.append(Fault(f"{at}/spool_code", f"Spool {parent.code} is named twice.", "Add the masses up."))
        seen.add(parent.id)
        if mass > parent.remaining_mass_g:
            left = f"{parent.remaining_mass_g:g} g are left on spool {parent.code}, less than {mass:g} g."
            faults.append(Fault(f"{at}/mass_g", left, "Weigh again."))
        if parent.withdrawn_at is not None:
            faults.append(Fault(f"{at}/spool_code", withdrawn(parent), "Put it aside."))
        if parent.machine is not None:
            faults.append(Fault(f"{at}/spool_code", f"Spool {parent.code} is on {parent.machine}.", "Unload it first."))
        if parent.lot.grade_id != named[0][0].lot.grade_id:
            faults.append(Fault(f"{at}/spool_code", "It is of another grade.", "Wind only one grade onto a spool."))
        if parent.lot.by_hand in ENDINGS:
            faults.append(Fault(f"{at}/spool_code", f"Its lot was {parent.lot.standing}.", "Put it aside."))
    return faults
