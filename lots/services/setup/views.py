"""Views of the set-up for the API."""

from __future__ import annotations

from collections.abc import Sequence

from lots.domain.conformity import rule_versions
from lots.services.setup import grade_drying, grade_uses
from lots.services.views import View, recorded, version
from lots.store.tables.loads import Job, Machine
from lots.store.tables.models import (
    Grade,
    Instrument,
    InstrumentCheck,
    LimitsRevision,
    Shade,
    ShadeRevision,
    Supplier,
)


def supplier(row: Supplier) -> View:
    """Returns a supplier."""
    return {"id": row.id, "code": row.code, "name": row.name, "contact": row.contact, **recorded(row), **version(row)}


def shade(row: Shade) -> View:
    """Returns a shade, without its revisions."""
    fields = ("id", "code", "name", "remeasure_every_days")
    return {**{name: getattr(row, name) for name in fields}, **recorded(row), **version(row)}


def shade_revision(row: ShadeRevision) -> View:
    """Returns a shade revision."""
    fields = ("id", "shade_id", "revision", "lab", "readings", "spectrum", "conditions", "approved_by", "note")
    measured_with = ("instrument_id", "standard_uncertainty")
    return {**{name: getattr(row, name) for name in (*fields, *measured_with)}, **recorded(row)}


def grade(row: Grade, reference: Sequence[float] | None) -> View:
    """Returns a grade with its forbidden and permitted uses; `reference` is L*, a*, b* of its shade, None without one."""
    fields = ("id", "code", "polymer", "color_name", "finish", "filler", "nominal_diameter_mm", "density_g_cm3")
    return {
        **{name: getattr(row, name) for name in fields},
        "shade_id": row.shade_id,
        "cautions": row.cautions,
        "brightened": row.brightened,
        "shelf_life_days": row.shelf_life_days,
        "open_life_days": row.open_life_days,
        **{name: getattr(row, name) for name in grade_drying.FIELDS},
        **grade_uses.view(row, reference),
        **recorded(row),
        **version(row),
    }


def limits(row: LimitsRevision) -> View:
    """Returns a limits revision."""
    return {
        "id": row.id,
        "grade_id": row.grade_id,
        "revision": row.revision,
        "note": row.note,
        "rules": rule_versions.of_limits(row.rules),
        **row.body,
        **recorded(row),
    }


def instrument(row: Instrument) -> View:
    """Returns an instrument."""
    fields = ("id", "code", "kind", "standard_uncertainty", "resolution", "measures", "check_interval_days")
    return {**{name: getattr(row, name) for name in fields}, **recorded(row), **version(row)}


def check(row: InstrumentCheck) -> View:
    """Returns a check of an instrument."""
    fields = ("id", "instrument_id", "checked_at", "result", "artefact", "readings", "note")
    return {**{name: getattr(row, name) for name in fields}, **recorded(row)}


def job(row: Job) -> View:
    """Returns a job, with its number as first typed."""
    return {"id": row.id, "number": row.number, **recorded(row)}


def machine(row: Machine) -> View:
    """Returns a machine, with its name as first typed."""
    return {"id": row.id, "name": row.name, "slots": row.slots, **recorded(row), **version(row)}
