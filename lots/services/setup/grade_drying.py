"""Validation of the drying rule of a grade."""

from __future__ import annotations

from typing import TypedDict

from lots.services.errors import Fault, Invalid
from lots.store.tables.models import Grade

FIELDS = ("dry_c", "dry_h", "softening_c", "dry_for_h", "dry_for_open_h")


class DryingValues(TypedDict, total=False):
    """The fields of a drying rule in a request."""

    dry_c: float | None
    dry_h: float | None
    softening_c: float | None
    dry_for_h: float | None
    dry_for_open_h: float | None


def check(row: Grade | None, values: DryingValues) -> None:
    """Checks a drying rule for contradictions.

    Args:
        row: the present grade; None for a new one.
        values: the request.

    Raises:
        Invalid: the drying temperature is above the softening temperature, or an opened spool stays dry longer than a sealed one.
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
        found.append(Fault("/dry_c", detail, "Give a drying temperature up to the softening temperature."))
    sealed = values.get("dry_for_h", row.dry_for_h if row else None)
    opened = values.get("dry_for_open_h", row.dry_for_open_h if row else None)
    if opened is not None and (sealed is None or opened > sealed):
        if sealed is None:
            detail, hint = "The time for a sealed spool is missing.", "Give the time that a sealed spool stays dry."
        else:
            detail = f"An opened spool cannot stay dry longer ({opened:g} h) than a sealed one ({sealed:g} h)."
            hint = f"Give at most {sealed:g} h."
        found.append(Fault("/dry_for_open_h", detail, hint))
    return found
