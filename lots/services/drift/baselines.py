"""Baselines of control charts. A chosen baseline is frozen. Another choice is another revision."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM, baseline_from
from lots.domain.drift.color_together import color_baseline
from lots.domain.drift.lot_series import NO_LOTS, LotSeries
from lots.domain.words import counted
from lots.services import clock, lookups
from lots.services.drift import series
from lots.services.errors import Fault, Invalid
from lots.services.instruments.instrument_changes import Bridges, bridges
from lots.services.views import View
from lots.store import audit
from lots.store.drift import lot_series
from lots.store.drift import series as store
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.tables.models import Baseline
from lots.store.tables.suppliers import BaselineFigures, ExcludedLot, FrozenColor, FrozenMeasure


class Given(TypedDict):
    """Agreed mean and standard deviation of a measure."""

    mean: float
    sigma: float


class _Reason(TypedDict):
    reason: str


class BaselineBody(_Reason, total=False):
    """The lots of a baseline, or given values."""

    supplier_id: int
    supplier_code: str
    grade_id: int
    grade_code: str
    lot_ids: list[int]
    excluded: list[ExcludedLot]
    given: dict[str, Given]


def choose(values: BaselineBody, by: str) -> View:
    """Stores a baseline from named lots, from given values, or from both. Given values take precedence.

    Raises:
        Invalid: too few lots, lots of another supplier or grade, an excluded lot that is not named, or no measure to
        chart.
    """
    with transaction():
        supplier, faults = lookups.by_id_or_code("supplier", values.get("supplier_id"), values.get("supplier_code"))
        grade, more = lookups.by_id_or_code("grade", values.get("grade_id"), values.get("grade_code"))
        if supplier is None or grade is None:
            raise Invalid(*faults, *more)
        lots = lot_series.lots_of(supplier_id=supplier.id, grade_id=grade.id).originals()
        faults, kept = _lots_meant(values, lots)
        faults += _given_faults(values.get("given", {}))
        if faults:
            raise Invalid(*faults)
        limits = store.newest_limits([grade.id]).get(grade.id)
        ties = bridges(lots.rows, limits_from(limits.body) if limits else None)
        measures, skipped = _frozen(kept, ties)
        for name, given in values.get("given", {}).items():
            last = series.stretches(lots, name, ties)
            key = last[-1].keys[-1] if last else None
            measures[name] = {"mean": given["mean"], "sigma": given["sigma"], "n": 0, "key": key}
        if not measures:
            raise Invalid(Fault("/lot_ids", "No measure can be charted from these lots.", " ".join(skipped) or _REMEDY))
        figures: BaselineFigures = {"measures": measures, "color": _color(kept, ties)}
        now = clock.now()
        row = store.add_baseline(
            supplier.id,
            grade.id,
            {
                "lot_ids": [lot.id for lot in kept.rows],
                "excluded": values.get("excluded", []),
                "figures": figures,
                "reason": values["reason"],
            },
            by,
            now,
        )
        audit.note(None, "baseline chosen", by, now, {"baseline": [row.id]})
        return {**view(row), "left_out": skipped}


_REMEDY = f"Name {PROVISIONAL_FROM} lots or more, or give a mean and a standard deviation."


def _lots_meant(values: BaselineBody, lots: LotSeries) -> tuple[list[Fault], LotSeries]:
    """Returns the faults of the named lots, and the lots of a baseline without the excluded ones."""
    wanted = values.get("lot_ids", [])
    excluded = {entry["lot_id"] for entry in values.get("excluded", [])}
    faults = []
    if not wanted and not values.get("given"):
        faults.append(Fault("/lot_ids", "A baseline needs lots, or agreed values.", _REMEDY))
    if len(set(wanted)) != len(wanted):
        faults.append(Fault("/lot_ids", "A lot is named twice.", "Name each lot once."))
    for number in sorted(set(wanted) - {row.id for row in lots.rows}):
        hint = "Choose from the lots in the drift of this supplier and grade. Resubmitted lots are not among them."
        faults.append(Fault("/lot_ids", f"Lot {number} is not a lot of this supplier and grade.", hint))
    faults += [
        Fault("/excluded", f"Lot {number} is not among the lots named.", "Exclude only lots that the baseline names.")
        for number in sorted(excluded - set(wanted))
    ]
    meant = set(wanted) - excluded
    kept = lots.by([row.id in meant for row in lots.rows]).get(True, NO_LOTS)
    if wanted and not faults and len(kept) < PROVISIONAL_FROM:
        text = f"{counted(len(kept), 'lot is', 'lots are')} too few. A baseline is provisional from {PROVISIONAL_FROM} lots and firm from {FIRM_FROM}."
        faults.append(Fault("/lot_ids", text, _REMEDY))
    return faults, kept


def _given_faults(given: Mapping[str, Given]) -> list[Fault]:
    hint = f"Write one of: {', '.join(MEASURES)}."
    return [
        Fault(f"/given/{name}", f'"{name}" is not followed over lots.', hint) for name in given if name not in MEASURES
    ]


def _frozen(kept: LotSeries, ties: Bridges) -> tuple[dict[str, FrozenMeasure], list[str]]:
    """Returns mean and standard deviation of every measure that these lots support, and sentences on the others."""
    found: dict[str, FrozenMeasure] = {}
    skipped = []
    for measure, about in MEASURES.items():
        parts = series.stretches(kept, measure, ties)
        if not parts:
            continue
        if len(parts) > 1:
            skipped.append(
                f"{about.label}: these lots were measured differently ({parts[0].key}; then {parts[1].key})."
            )
            continue
        base = baseline_from(parts[0].values.tolist(), chosen=True)
        if base is None:
            skipped.append(f"{about.label}: only {len(parts[0])} of these lots have values, or all values are equal.")
            continue
        key = parts[0].keys[-1]
        found[measure] = {"mean": base.mean, "sigma": base.sigma, "sd": base.sd, "n": base.n, "key": key}
    return found, skipped


def _color(kept: LotSeries, ties: Bridges) -> FrozenColor | None:
    parts = series.stretches(kept, VECTOR[0], ties)
    whole = color_baseline(series.color_rows(parts[0]), chosen=True) if len(parts) == 1 else None
    if whole is None:
        return None
    return {
        "mean": list(whole.mean),
        "covariance": [list(row) for row in whole.covariance],
        "n": whole.n,
        "key": parts[0].keys[-1],
    }


def view(row: Baseline) -> View:
    """Returns a baseline with its status and its measures."""
    n = len(row.lot_ids)
    return {
        "id": row.id,
        "supplier_id": row.supplier_id,
        "grade_id": row.grade_id,
        "revision": row.revision,
        "lot_ids": row.lot_ids,
        "excluded": row.excluded,
        "status": "given" if not n else "firm" if n >= FIRM_FROM else "provisional",
        "measures": [
            {"measure": name, "read": figure["key"], "mean": figure["mean"], "sigma": figure["sigma"], "n": figure["n"]}
            for name, figure in row.figures["measures"].items()
        ],
        "reason": row.reason,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
    }


def listed(filters: Mapping[str, int], cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of baselines."""
    return store.baselines(filters, cursor, limit).map(view)


# The newest lots that are offered to choose from; a baseline names at most 500.
_MOST_OFFERED = 200


def choices(supplier_id: int, grade_id: int) -> View:
    """Returns the lots that a baseline can be chosen from, oldest first, and the present baseline. Five queries.

    Raises:
        NotFound: no such supplier or grade.
    """
    supplier, grade = lookups.found("supplier", supplier_id), lookups.found("grade", grade_id)
    lots = lot_series.lots_of(supplier_id=supplier.id, grade_id=grade.id).originals()
    present = store.newest_baselines(supplier_id=supplier.id, grade_id=grade.id).get((supplier.id, grade.id))
    return {
        "supplier_id": supplier.id,
        "supplier": supplier.name,
        "grade_id": grade.id,
        "grade": grade.code,
        "lots": [
            {
                "lot_id": row.id,
                "supplier_lot": row.supplier_lot,
                "received_at": row.received_at,
                "standing": row.standing,
            }
            for row in lots.rows[-_MOST_OFFERED:]
        ],
        "lots_in_all": len(lots),
        "present": view(present) if present else None,
    }
