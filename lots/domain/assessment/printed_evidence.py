"""Selection of prints: by the recipe that the limits name, and apart from control prints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.declaring.case import Case
from lots.domain.characteristics.declaring.origin import of_the_lot, origin_of
from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.words import counted, plural

Readings = Mapping[str, Sequence[Any]]


def by_recipe(readings: Readings, limits: Limits | None) -> tuple[Readings, list[str]]:
    """Returns the readings with the recipe of the limits, and a note per characteristic on readings left out.

    A print by another recipe differs by more than its filament.

    Args:
        readings: by characteristic.
        limits: their blocks may name a recipe.

    Reference:
        Common practice, no source.
    """
    kept, notes = dict(readings), []
    for name, asked in (limits.asked if limits else {}).items():
        recipe, some = asked.get("test_print"), readings.get(name, ())
        if recipe is None:
            continue
        kept[name] = [reading for reading in some if origin_of(reading).test_print == recipe]
        if left := len(some) - len(kept[name]):
            does = plural(left, "does", "do")
            notes.append(
                f"{counted(left, 'reading')} of {said(name)} {does} not count, since the recipe was not {recipe}."
            )
    return kept, notes


def apart_from_controls(readings: Readings) -> tuple[Readings, Readings]:
    """Returns the readings of the lot and those of the control spool, by characteristic."""
    printed = [name for name, declared in DECLARED.items() if declared.printed]
    controls = {name: [one for one in readings.get(name, ()) if not of_the_lot(one)] for name in printed}
    own = {name: [one for one in readings[name] if of_the_lot(one)] for name, some in controls.items() if some}
    return {**readings, **own}, {name: some for name, some in controls.items() if some}


def by_print(case: Case) -> dict[str, dict[str, Mapping[str, Any]]]:
    """Returns figures per printed characteristic and `printer|recipe`, since settings and strengths belong to a printer.

    Readings that do not count and prints of unknown printers are left out.

    Args:
        case: the lot, without its controls.
    """
    found: dict[str, dict[str, Mapping[str, Any]]] = {}
    for name, declared in DECLARED.items():
        groups: dict[str, list[Any]] = {}
        for reading in case.readings.get(name, ()) if declared.printed else ():
            counts = declared.comparable(reading, case.blocks.get(name), case.shade)
            if counts is not None and (printer := origin_of(reading).printer):
                groups.setdefault(f"{printer}|{origin_of(reading).test_print or ''}", []).append(counts)
        if groups:
            found[name] = {key: declared.by_print(groups[key]) for key in sorted(groups)}
    return found


def another_recipe(origin: Any, limits: Limits | None, name: str) -> str | None:
    """Returns the recipe of the limits where a print has another, None where the print counts."""
    asked = limits.asked.get(name, {}).get("test_print") if limits else None
    return None if asked is None or origin.test_print == asked else str(asked)
