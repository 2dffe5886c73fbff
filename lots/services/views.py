"""Rows as the shapes the contract promises. Times stay datetimes; the API writes them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, TypeAlias

from lots.domain.assessment.concessions import Concession
from lots.domain.assessment.standing_by_hand import LOADABLE
from lots.domain.characteristics.moisture import Wetness
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.findings import Finding
from lots.domain.production.changes import Place
from lots.domain.receiving.coverage import CLOSED_LOT
from lots.store.receiving.deliveries import current
from lots.store.receiving.samples import Changes

# An answer: its fields by name, as JSON will have them but for moments, which stay datetimes.
View: TypeAlias = dict[str, object]


def lot_line(row: Any) -> dict[str, Any]:
    """The little of a lot that goes with every answer about it."""
    return {"id": row.id, "supplier_lot": row.supplier_lot, "standing": row.standing, "uses": row.uses}


def lot(row: Any) -> dict[str, Any]:
    """A lot with where it stands, why, and what is still to be measured."""
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


def concession(row: Any, state: Concession) -> dict[str, Any]:
    """A concession with what is left of it."""
    fields = ("id", "lot_id", "uses", "max_mass_g", "valid_until", "finish_running", "reason", "requested_by")
    ends = ("approved_by", "approved_at", "withdrawn_by", "withdrawn_at", "withdrawn_reason")
    return {
        **{name: getattr(row, name) for name in (*fields, *ends)},
        "taken_g": state.taken_g,
        "left_g": state.left_g,
        "over_g": max(0.0, state.taken_g - state.max_mass_g),
        "says": _concession_says(row, state),
        **recorded(row),
    }


def _concession_says(row: Any, state: Concession) -> str:
    if row.withdrawn_by:
        return f"Concession {row.id} was withdrawn by {row.withdrawn_by}: {row.withdrawn_reason}"
    return state.says if row.approved_by else f"Asked for by {row.requested_by}; a second person has to approve it."


def delivery(row: Any, changes: Changes | None = None) -> dict[str, Any]:
    """A delivery as corrected, without its spools. `changes` is what became of its sample; a new one has none."""
    now = current(row)
    return {
        "id": row.id,
        "lot_id": row.lot_id,
        "lot": lot_line(row.lot),
        "supplier_id": row.lot.supplier_id,
        "grade_id": row.lot.grade_id,
        "order_ref": now.order_ref,
        "received_at": now.received_at,
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


def sample_changes(changes: Changes) -> dict[str, Any]:
    """Further draws from a delivery, and substitutes for spools that were drawn."""
    return {
        "further_draws": [
            {"spool_codes": row.spool_codes, "reason": row.reason, **recorded(row)} for row in changes.draws
        ],
        "substitutes": [
            {"drawn": row.drawn.code, "substitute": row.substitute.code, "reason": row.reason, **recorded(row)}
            for row in changes.substitutes
        ],
    }


def correction(row: Any) -> dict[str, Any]:
    """A correction of a delivery."""
    changes = [{"field": field, "before": was, "after": now} for field, (was, now) in row.changes.items()]
    return {"id": row.id, "changes": changes, "closes": row.closes, "reason": row.reason or None, **recorded(row)}


def spool_line(row: Any, lot: Any) -> dict[str, Any]:
    """A spool among others of its lot."""
    fields = (
        "id",
        "code",
        "net_mass_g",
        "remaining_mass_g",
        "machine",
        "opened_at",
        "dried_at",
        "dried_by_rule_at",
        "spliced",
        "withdrawn_at",
    )
    fails = [message for _, message in spool_failures(row, lot)]
    return {**{name: getattr(row, name) for name in fields}, "nonconforming": fails}


def spool_failures(row: Any, lot: Any) -> list[tuple[Sequence[str], str]]:
    """What speaks against a spool by itself, as (uses, message): what it fails, and that a lot it holds was wet and it was not measured dry since."""
    failures = [(why["uses"], why["message"]) for why in row.nonconforming or ()]
    wet = Wetness.from_json(lot.wet) if lot.wet else None
    if wet is not None and (message := wet.against(lot.supplier_lot, row.code, row.dry_at)):
        failures.append((wet.uses, message))
    return failures


def reading(row: Any, doubt: str | None) -> dict[str, Any]:
    """A reading as it was posted, with its void if there is one, and why its instrument puts it in doubt, if it does."""
    void = getattr(row, "void", None)
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


def void_line(row: Any) -> dict[str, Any]:
    """Why a reading does not count, and whether that waits for the agreement of quality."""
    agreement = getattr(row, "agreement", None)
    agreed = agreement and {"reason": agreement.reason, "at": agreement.recorded_at, "by": agreement.recorded_by}
    return {
        "reason": row.reason,
        "replaced_by": row.replaced_by_id,
        "voided_at": row.voided_at,
        "voided_by": row.voided_by,
        "held": bool(row.held) and agreed is None,
        "agreed": agreed,
    }


def void(row: Any) -> dict[str, Any]:
    """A void among others, with its reading and its lot."""
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


def exclusion_line(row: Any) -> dict[str, Any] | None:
    """Why a reading was left out as standing apart, None when it was not, or is taken back in."""
    fields = ("cause", "reason", "excluded_at", "excluded_by")
    exclusion = getattr(row, "exclusion", None)
    return exclusion and {name: getattr(exclusion, name) for name in fields}


def finding(found: Finding) -> dict[str, Any]:
    """A finding with its words."""
    return {
        "code": found.code,
        "characteristic": found.characteristic,
        "measure": found.measure,
        "verdict": found.verdict,
        "value": found.value,
        "limit": found.limit.as_json(),
        "unit": found.limit.unit,
        "n": found.n,
        "spools": found.spools,
        "uncertainty": found.uncertainty,
        "guard_band": found.guard,
        "coverage_factor": found.coverage_factor,
        "degrees_of_freedom": _df(found.budget.df) if found.budget else None,
        "uncertainty_budget": [
            {"source": one.source or "stated", "standard_uncertainty": one.u, "degrees_of_freedom": _df(one.df)}
            for one in (found.budget.contributions if found.budget else ())
        ],
        "interval_95": list(found.interval) if found.interval else None,
        "margin": found.margin,
        "conformance_probability": found.conformance,
        "claimable": found.claimable,
        "too_coarse": found.coarse,
        "subject": found.subject or None,
        "detail": found.detail or None,
        "uses": list(found.uses),
        "hold": found.hold,
        "message": found.message,
        "to_measure": found.to_measure or None,
    }


def _df(df: float) -> float | None:
    """Degrees of freedom, None where the uncertainty is known."""
    return None if math.isinf(df) else df


def decision(row: Any) -> dict[str, Any]:
    """A decision with the findings it rests on."""
    fields = (
        "id",
        "lot_id",
        "action",
        "standing",
        "uses",
        "reason",
        "decided_at",
        "decided_by",
        "findings",
        "reading_ids",
    )
    return {
        **{name: getattr(row, name) for name in fields},
        "limits_revision": row.limits_revision and row.limits_revision.revision,
        "shade_revision": row.shade_revision and row.shade_revision.revision,
    }


def place(load: Any) -> dict[str, str]:
    """The machine and the job of a load, by their names as they were first typed."""
    return {
        "machine": load.on_machine.name if load.on_machine else load.machine,
        "job": load.of_job.number if load.of_job else load.job,
    }


def change_place(load: Any, lot: Any) -> Place:
    """A load as a change tells it, of a lot that its spool holds or may hold."""
    return Place(load.id, lot.id, lot.supplier_lot, load.spool.code, **place(load), use=load.use)


def load(row: Any) -> dict[str, Any]:
    """A load, with what it used once it has ended."""
    fields = ("id", "use", "mass_before_g", "remaining_mass_g", "loaded_at", "unloaded_at")
    used = None if row.remaining_mass_g is None else row.mass_before_g - row.remaining_mass_g
    return {
        **{name: getattr(row, name) for name in fields},
        **place(row),
        "spool_code": row.spool.code,
        "lot_id": row.lot_id,
        "mass_used_g": used,
        "still_loaded": row.unloaded_at is None,
        "concession_id": row.concession_id,
        "reserved_g": row.reserved_g,
        **recorded(row),
        "unload_recorded_at": row.unload_recorded_at,
        "unload_recorded_by": row.unload_recorded_by,
    }


def load_refusal(row: Any) -> dict[str, Any]:
    """A refused load with its reasons."""
    fields = ("id", "machine", "job", "use", "reasons", "refused_at", "asked_by", "lot_id")
    return {**{name: getattr(row, name) for name in fields}, "spool_code": row.spool.code}


def exposure(row: Any, items: list[dict[str, Any]]) -> dict[str, Any]:
    """Every machine and job that a lot has reached, what is still loaded first."""
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


def _exposure_says(row: Any, items: list[dict[str, Any]], on_now: int) -> str:
    certain = [item for item in items if item["certainty"] == "certain"]
    if not certain:
        return f"No spool of lot {row.supplier_lot} was ever loaded."
    spools, jobs = len({item["spool_code"] for item in certain}), len({item["job"] for item in certain})
    reach = f"{spools} {'spool' if spools == 1 else 'spools'} of lot {row.supplier_lot} reached {jobs} {'job' if jobs == 1 else 'jobs'}"
    perhaps = len({item["job"] for item in items} - {item["job"] for item in certain})
    if perhaps:
        reach += f", and possibly {perhaps} more"
    if not on_now:
        return f"{reach}; none is loaded now."
    now = ", ".join(f"{item['machine']} ({item['job']})" for item in certain if item["still_loaded"])
    urge = "" if row.standing in LOADABLE else " Stop and unload these first."
    return f"{reach}; {on_now} still loaded: {now}.{urge}"


def recorded(row: Any) -> dict[str, Any]:
    """Who stored a row, and when."""
    return {"recorded_at": row.recorded_at, "recorded_by": row.recorded_by}


def version(row: Any) -> dict[str, Any]:
    """How often a row was changed, for its ETag."""
    return {"version": row.version}
