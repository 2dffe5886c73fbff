"""Choosing what a supplier's lots are charted against. A baseline is frozen when it is chosen; another choice is another revision."""

from __future__ import annotations

from typing import Any

from lots.domain.assessment.limits_revision import limits_from
from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import MEASURES
from lots.domain.drift.baseline import FIRM_FROM, PROVISIONAL_FROM, baseline_from
from lots.domain.drift.color_together import color_baseline
from lots.domain.words import counted
from lots.services import clock, lookups
from lots.services.drift import series
from lots.services.errors import Fault, Invalid
from lots.services.instruments.instrument_changes import Bridges, bridges
from lots.store import audit
from lots.store.drift import series as store
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page


def choose(values: dict[str, Any], by: str) -> dict[str, Any]:
    """Freezes a baseline from named lots, from given values, or from both; given values win for their measure.

    Raises:
        Invalid: too few lots, lots of somebody else, an exclusion of a lot that is not among them, no measure to freeze.
    """
    with transaction():
        supplier, faults = lookups.by_id_or_code("supplier", values.get("supplier_id"), values.get("supplier_code"))
        grade, more = lookups.by_id_or_code("grade", values.get("grade_id"), values.get("grade_code"))
        if faults + more:
            raise Invalid(*faults, *more)
        rows = series.originals(store.lots_of(supplier_id=supplier.id, grade_id=grade.id))
        faults, kept = _lots_meant(values, rows)
        faults += _given_faults(values.get("given") or {})
        if faults:
            raise Invalid(*faults)
        limits = store.newest_limits([grade.id]).get(grade.id)
        ties = bridges(rows, limits_from(limits.body) if limits else None)
        measures, skipped = _frozen(kept, ties)
        for name, given in (values.get("given") or {}).items():
            last = series.stretches(rows, name, ties)
            measures[name] = {**given, "n": 0, "key": last[-1].keys[-1] if last else None}
        if not measures:
            raise Invalid(Fault("/lot_ids", "Not one measure can be charted from this.", " ".join(skipped) or _HOW))
        figures: dict[str, Any] = {"measures": measures, "color": _color(kept, ties)}
        now = clock.now()
        row = store.add_baseline(
            supplier.id,
            grade.id,
            {
                "lot_ids": [lot.id for lot in kept],
                "excluded": values.get("excluded") or [],
                "figures": figures,
                "reason": values["reason"],
            },
            by,
            now,
        )
        audit.note(None, "baseline chosen", by, now, {"baseline": [row.id]})
        return {**view(row), "left_out": skipped}


_HOW = f"Name {PROVISIONAL_FROM} lots or more in lot_ids, or give mean and sigma in given."


def _lots_meant(values: dict[str, Any], rows: list[Any]) -> tuple[list[Fault], list[Any]]:
    """The lots of a baseline without the excluded ones, and what is wrong with how they were named."""
    wanted = values.get("lot_ids") or []
    excluded = {entry["lot_id"] for entry in values.get("excluded") or []}
    by_id = {row.id: row for row in rows}
    faults = []
    if not wanted and not values.get("given"):
        faults.append(Fault("/lot_ids", "A baseline needs lots, or given values.", _HOW))
    if len(set(wanted)) != len(wanted):
        faults.append(Fault("/lot_ids", "A lot stands twice among them.", "Name each lot once."))
    for number in sorted(set(wanted) - set(by_id)):
        hint = "The drift of this supplier and grade shows the lots there are to choose from; a lot sorted and sent again is not one of them."
        faults.append(Fault("/lot_ids", f"Lot {number} is not a lot of this supplier and grade.", hint))
    faults += [
        Fault("/excluded", f"Lot {number} is not among the lots named.", "Exclude only lots in lot_ids.")
        for number in sorted(excluded - set(wanted))
    ]
    kept = [row for row in rows if row.id in set(wanted) - excluded]
    if wanted and not faults and len(kept) < PROVISIONAL_FROM:
        text = f"{counted(len(kept), 'lot')} {'is' if len(kept) == 1 else 'are'} too few: a baseline is provisional from {PROVISIONAL_FROM} and firm from {FIRM_FROM}."
        faults.append(Fault("/lot_ids", text, _HOW))
    return faults, kept


def _given_faults(given: dict[str, Any]) -> list[Fault]:
    hint = f"Write one of: {', '.join(MEASURES)}."
    return [
        Fault(f"/given/{name}", f'"{name}" is not followed over lots.', hint) for name in given if name not in MEASURES
    ]


def _frozen(kept: list[Any], ties: Bridges) -> tuple[dict[str, Any], list[str]]:
    """Mean and standard deviation of every measure these lots can carry, and in words which they cannot."""
    found: dict[str, Any] = {}
    skipped = []
    for measure, about in MEASURES.items():
        parts = series.stretches(kept, measure, ties)
        if not parts:
            continue
        if len(parts) > 1:
            skipped.append(f"{about.label}: these lots were not all read alike ({parts[0].key}; then {parts[1].key}).")
            continue
        base = baseline_from(parts[0].values, chosen=True)
        if base is None:
            skipped.append(f"{about.label}: {len(parts[0].values)} of these lots have it, or no two differ.")
            continue
        key = parts[0].keys[-1]
        found[measure] = {"mean": base.mean, "sigma": base.sigma, "sd": base.sd, "n": base.n, "key": key}
    return found, skipped


def _color(kept: list[Any], ties: Bridges) -> dict[str, Any] | None:
    parts = series.stretches(kept, VECTOR[0], ties)
    whole = color_baseline(series.color_rows(parts[0]), chosen=True) if len(parts) == 1 else None
    if whole is None:
        return None
    return {"mean": whole.mean, "covariance": whole.covariance, "n": whole.n, "key": parts[0].keys[-1]}


def view(row: Any) -> dict[str, Any]:
    """A baseline with what it holds for."""
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
            {"measure": name, "read": figure["key"], **{part: figure[part] for part in ("mean", "sigma", "n")}}
            for name, figure in row.figures["measures"].items()
        ],
        "reason": row.reason,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
    }


def listed(filters: dict[str, Any], cursor: str | None, limit: int) -> Page:
    """Returns a page of baselines."""
    return store.baselines(filters, cursor, limit).map(view)
