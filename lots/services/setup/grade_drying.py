"""The drying rule of a grade: what its fields must not say together."""

from __future__ import annotations

from typing import TypedDict

from lots.services.errors import Fault, Invalid
from lots.store.tables.models import Grade

FIELDS = ("dry_c", "dry_h", "softening_c", "dry_for_h", "dry_for_open_h")


class DryingValues(TypedDict, total=False):
    """What is sent of a drying rule."""

    dry_c: float | None
    dry_h: float | None
    softening_c: float | None
    dry_for_h: float | None
    dry_for_open_h: float | None


def check(row: Grade | None, values: DryingValues) -> None:
    """Refuses a drying rule that contradicts itself.

    Args:
        row: the grade as it is, None for a new one.
        values: what is sent of it.

    Raises:
        Invalid: it would be dried above its softening temperature, or would stay dry longer once opened.
    """
    if not any(name in values for name in FIELDS):
        return
    if faults := _faults(row, values):
        raise Invalid(*faults)


def _faults(row: Grade | None, values: DryingValues) -> list[Fault]:
    found = []
    dry_c = values.get("dry_c", row.dry_c if row else None)
    softening_c = values.get("softening_c", row.softening_c if row else None)
    if dry_c is not None and softening_c is not None and dry_c > softening_c:
        detail = f"Drying at {dry_c:g} °C is above the softening temperature of {softening_c:g} °C."
        found.append(Fault("/dry_c", detail, "State a drying temperature at or below the softening temperature."))
    sealed = values.get("dry_for_h", row.dry_for_h if row else None)
    opened = values.get("dry_for_open_h", row.dry_for_open_h if row else None)
    if opened is not None and (sealed is None or opened > sealed):
        detail = "An opened spool cannot stay dry longer than a sealed one."
        hint = "State how long a sealed spool stays dry too, and at most as many hours here."
        found.append(Fault("/dry_for_open_h", detail, hint))
    return found
