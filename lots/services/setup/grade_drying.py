"""The drying rule of a grade: what its fields must not say together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lots.services.errors import Fault, Invalid

FIELDS = ("dry_c", "dry_h", "softening_c", "dry_for_h", "dry_for_open_h")


def check(row: Any, values: Mapping[str, Any]) -> None:
    """Refuses a drying rule that contradicts itself.

    Args:
        row: the grade as it is, None for a new one.
        values: what is sent of it.

    Raises:
        Invalid: it would be dried above its softening temperature, or would stay dry longer once opened.
    """
    if not any(name in values for name in FIELDS):
        return
    whole = {name: values.get(name, getattr(row, name, None)) for name in FIELDS}
    if faults := _faults(whole):
        raise Invalid(*faults)


def _faults(values: Mapping[str, Any]) -> list[Fault]:
    found = []
    dry_c, softening_c = values.get("dry_c"), values.get("softening_c")
    if dry_c is not None and softening_c is not None and dry_c > softening_c:
        detail = f"Drying at {dry_c:g} °C is above the softening temperature of {softening_c:g} °C."
        found.append(Fault("/dry_c", detail, "State a drying temperature at or below the softening temperature."))
    sealed, opened = values.get("dry_for_h"), values.get("dry_for_open_h")
    if opened is not None and (sealed is None or opened > sealed):
        detail = "An opened spool cannot stay dry longer than a sealed one."
        found.append(Fault("/dry_for_open_h", detail, "State dry_for_h too, and at most as many hours here."))
    return found
