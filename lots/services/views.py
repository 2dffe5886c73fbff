"""Rows as answers of the API. Times stay datetimes; the API formats them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol, TypeAlias, TypedDict

from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.characteristics.moisture import Wetness
from lots.domain.characteristics.registry import DECLARED
from lots.domain.production.changes import Place
from lots.domain.receiving.coverage import CLOSED_LOT
from lots.domain.words import counted
from lots.store.receiving.deliveries import current
from lots.store.receiving.samples import Changes
from lots.store.tables.loads import Load
from lots.store.tables.models import (
    Decision,
    Delivery,
    DeliveryCorrection,
    LoadRefusal,
    Lot,
    Reading,
    ReadingExclusion,
    ReadingVoid,
    Spool,
    VoidAgreement,
)

# An answer: its JSON fields by name. Times stay datetimes.
View: TypeAlias = dict[str, object]


class Recorded(Protocol):
    """A row that says who stored it, and when."""

    @property
    def recorded_at(self) -> datetime:
        """When it was stored."""

    @property
    def recorded_by(self) -> str:
        """Who stored it."""


class Versioned(Protocol):
    """A row that counts its changes."""

    @property
    def version(self) -> int:
        """How often it was changed, from 1."""


def lot_line(row: Lot) -> View:
    """Returns a lot in short."""
    return {"id": row.id, "supplier_lot": row.supplier_lot, "standing": row.standing, "uses": row.uses}


def lot(row: Lot) -> View:
    """Returns a lot with its status, the reason and the measurements still needed."""
    return {
        **lot_line(row),
        "supplier_id": row.supplier_id,
        "supplier": {"id": row.supplier_id, "code": row.supplier.code, "name": row.supplier.name},
        "grade_id": row.grade_id,
        "grade": {"id": row.grade_id, "code": row.grade.code, "color_name": row.grade.color_name},
        "received_at": row.received_at,
        "recorded_at": row.recorded_at,
        "assessed": row.assessed,
        "by_hand": row.by_hand and {"action": row.by_hand, "reason": row.by_hand_reason},
        "to_measure": row.to_measure,
        "closed": CLOSED_LOT in row.to_measure,
        "lab": row.lab,
        "shrinkage_percent": row.shrinkage,
        "flow_factor": row.flow_factor,
        "limits_revision": row.limits_revision and row.limits_revision.revision,
        "shade_revision": row.shade_revision and row.shade_revision.revision,
        "resubmission_of": row.resubmission_of_id,
        "concessions": row.concessions,
        "reinspected_until": row.reinspected_until,
        **version(row),
    }


def delivery(row: Delivery, changes: Changes | None = None) -> View:
    """Returns a delivery as corrected, without its spools. `changes` are those of its sample."""
    now = current(row)
    return {
        "id": row.id,
        "lot_id": row.lot_id,
        "lot": lot_line(row.lot),
        "supplier_id": row.lot.supplier_id,
        "grade_id": row.lot.grade_id,
        "order_ref": now.order_ref,
        "received_at": now.received_at,
        "ordered_at": now.ordered_at,
        "due_at": now.due_at,
        "cost": now.cost,
        "currency": now.currency,
        "sample": now.sample,
        **sample_changes(changes or Changes()),
        "note": now.note,
        **recorded(row),
        "version": now.version,
        "closed": now.closed,
    }


def sample_changes(changes: Changes) -> View:
    """Returns the further draws from a delivery, and the substitutes for drawn spools."""
    return {
        "further_draws": [
            {"spool_codes": row.spool_codes, "reason": row.reason, **recorded(row)} for row in changes.draws
        ],
        "substitutes": [
            {"drawn": row.drawn.code, "substitute": row.substitute.code, "reason": row.reason, **recorded(row)}
            for row in changes.substitutes
        ],
    }


def correction(row: DeliveryCorrection) -> View:
    """Returns a correction of a delivery."""
    changes = [{"field": field, "before": was, "after": now} for field, (was, now) in row.changes.items()]
    return {"id": row.id, "changes": changes, "closes": row.closes, "reason": row.reason or None, **recorded(row)}


def spool_line(row: Spool, lot: Lot) -> View:
    """Returns a spool in a list of its lot."""
    return {
        "id": row.id,
        "code": row.code,
        "net_mass_g": row.net_mass_g,
        "remaining_mass_g": row.remaining_mass_g,
        "machine": row.machine,
        "opened_at": row.opened_at,
        "dried_at": row.dried_at,
        "dried_by_rule_at": row.dried_by_rule_at,
        "spliced": row.spliced,
        "withdrawn_at": row.withdrawn_at,
        "nonconforming": [message for _, message in spool_failures(row, lot)],
    }


def spool_failures(row: Spool, lot: Lot) -> list[tuple[Sequence[str], str]]:
    """Returns the failures of one spool as (uses, message).

    A spool of a wet lot fails until it is measured dry.
    """
    failures: list[tuple[Sequence[str], str]] = [(why["uses"], why["message"]) for why in row.nonconforming or ()]
    wet = Wetness.from_json(lot.wet) if lot.wet else None
    if wet is not None and (message := wet.against(lot.supplier_lot, row.code, row.dry_at)):
        failures.append((wet.uses, message))
    return failures


def reading(row: Reading, doubt: str | None) -> View:
    """Returns a reading as posted, with its void.

    `doubt` is the reason why its instrument makes it doubtful, None without one.
    """
    void: ReadingVoid | None = getattr(row, "void", None)
    return {
        "id": row.id,
        "kind": row.kind,
        "lot_id": row.lot_id,
        "spool_code": row.spool.code,
        "instrument_id": row.instrument_id,
        "measured_at": row.measured_at,
        "screening": row.screening,
        "note": row.note,
        **row.values,
        **recorded(row),
        "voided": void_line(void) if void else None,
        "excluded": exclusion_line(row),
        "decision_valid": doubt is None,
        "doubt": doubt,
    }


def void_line(row: ReadingVoid) -> View:
    """Returns a void, and whether it waits for the agreement of quality."""
    agreement: VoidAgreement | None = getattr(row, "agreement", None)
    return {
        "reason": row.reason,
        "replaced_by": row.replaced_by_id,
        "voided_at": row.voided_at,
        "voided_by": row.voided_by,
        "held": bool(row.held) and agreement is None,
        "agreed": agreement and {"reason": agreement.reason, "at": agreement.recorded_at, "by": agreement.recorded_by},
    }


def void(row: ReadingVoid) -> View:
    """Returns a void in a list, with its reading and its lot."""
    reading = row.reading
    return {
        "id": row.id,
        "reading_id": reading.id,
        "kind": reading.kind,
        "spool_code": reading.spool.code,
        "lot_id": reading.lot_id,
        "supplier_lot": reading.lot.supplier_lot,
        "says": DECLARED[reading.kind].says(reading.values),
        **void_line(row),
    }


def exclusion_line(row: Reading) -> View | None:
    """Returns a reading's exclusion as an outlier, None without one."""
    exclusion: ReadingExclusion | None = getattr(row, "exclusion", None)
    if exclusion is None:
        return None
    return {
        "cause": exclusion.cause,
        "reason": exclusion.reason,
        "excluded_at": exclusion.excluded_at,
        "excluded_by": exclusion.excluded_by,
    }


def decision(row: Decision) -> View:
    """Returns a decision with its findings."""
    return {
        "id": row.id,
        "lot_id": row.lot_id,
        "action": row.action,
        "standing": row.standing,
        "uses": row.uses,
        "reason": row.reason,
        "decided_at": row.decided_at,
        "decided_by": row.decided_by,
        "findings": row.findings,
        "reading_ids": row.reading_ids,
        "limits_revision": row.limits_revision and row.limits_revision.revision,
        "shade_revision": row.shade_revision and row.shade_revision.revision,
    }


class MachineAndJob(TypedDict):
    """The machine and the job of a load."""

    machine: str
    job: str


def place(load: Load) -> MachineAndJob:
    """Returns the machine and the job of a load by their recorded names."""
    return {
        "machine": load.on_machine.name if load.on_machine else load.machine,
        "job": load.of_job.number if load.of_job else load.job,
    }


def change_place(load: Load, lot: Lot) -> Place:
    """Returns the place of a load for a change of a lot that its spool holds or may hold."""
    return Place(load.id, lot.id, lot.supplier_lot, load.spool.code, **place(load), use=load.use)


def load(row: Load) -> View:
    """Returns a load, with the mass used once it has ended."""
    used = None if row.remaining_mass_g is None else row.mass_before_g - row.remaining_mass_g
    return {
        "id": row.id,
        **place(row),
        "use": row.use,
        "spool_code": row.spool.code,
        "lot_id": row.lot_id,
        "mass_before_g": row.mass_before_g,
        "remaining_mass_g": row.remaining_mass_g,
        "mass_used_g": used,
        "loaded_at": row.loaded_at,
        "unloaded_at": row.unloaded_at,
        "still_loaded": row.unloaded_at is None,
        "concession_id": row.concession_id,
        "reserved_g": row.reserved_g,
        **recorded(row),
        "unload_recorded_at": row.unload_recorded_at,
        "unload_recorded_by": row.unload_recorded_by,
    }


def load_refusal(row: LoadRefusal) -> View:
    """Returns a refused load with its reasons."""
    return {
        "id": row.id,
        "spool_code": row.spool.code,
        "lot_id": row.lot_id,
        "machine": row.machine,
        "job": row.job,
        "use": row.use,
        "reasons": row.reasons,
        "refused_at": row.refused_at,
        "asked_by": row.asked_by,
    }


class Reached(TypedDict):
    """A load of a lot, or one that possibly was of the lot."""

    load_id: int
    spool_code: str
    suspect_spool_code: str
    machine: str
    job: str
    use: str
    loaded_at: datetime
    unloaded_at: datetime | None
    still_loaded: bool
    mass_used_g: float | None
    certainty: str
    gap: str | None


class Exposure(TypedDict):
    """Every machine and job that a lot has reached."""

    lot_id: int
    supplier_lot: str
    standing: str
    says: str
    still_loaded: int
    machines: list[str]
    jobs: list[str]
    items: list[Reached]


def exposure(row: Lot, items: list[Reached]) -> Exposure:
    """Returns every machine and job that a lot reached. `items` are in the order of the answer."""
    on_now = sum(item["still_loaded"] and item["certainty"] == "certain" for item in items)
    return {
        "lot_id": row.id,
        "supplier_lot": row.supplier_lot,
        "standing": row.standing,
        "says": _exposure_says(row, items, on_now),
        "still_loaded": on_now,
        "machines": list(dict.fromkeys(item["machine"] for item in items)),
        "jobs": list(dict.fromkeys(item["job"] for item in items)),
        "items": items,
    }


def _exposure_says(row: Lot, items: list[Reached], on_now: int) -> str:
    certain = [item for item in items if item["certainty"] == "certain"]
    if not certain:
        return f"No spool of lot {row.supplier_lot} was ever loaded."
    spools, jobs = len({item["spool_code"] for item in certain}), len({item["job"] for item in certain})
    reach = f"{counted(spools, 'spool')} of lot {row.supplier_lot} reached {counted(jobs, 'job')}"
    perhaps = len({item["job"] for item in items} - {item["job"] for item in certain})
    if perhaps:
        reach += f", and possibly {perhaps} more"
    if not on_now:
        return f"{reach}. No spool is loaded now."
    now = ", ".join(f"{item['machine']} ({item['job']})" for item in certain if item["still_loaded"])
    urge = "" if row.standing in LOADABLE else " Stop these machines and unload the spools first."
    return f"{reach}. Still loaded: {now}.{urge}"


def recorded(row: Recorded) -> View:
    """Returns when a row was stored, and by whom."""
    return {"recorded_at": row.recorded_at, "recorded_by": row.recorded_by}


def version(row: Versioned) -> View:
    """Returns the version of a row, for its ETag."""
    return {"version": row.version}
