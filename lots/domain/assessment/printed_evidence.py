"""Which prints count: those by the recipe that the limits name, and those of the lot's own filament. Controls stand beside them."""

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
    """Returns the readings that count by their recipe, and a note for each characteristic of which others do not.

    A print by another recipe differs by more than its filament, as a colour under other conditions does.

    Args:
        readings: by characteristic.
        limits: whose blocks may name a recipe.

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
            notes.append(f"{counted(left, 'reading')} of {said(name)} {does} not count: not printed by {recipe}.")
    return kept, notes


def apart_from_controls(readings: Readings) -> tuple[Readings, Readings]:
    """Returns the readings of the lot's own filament, and those of the control spool, by characteristic."""
    printed = [name for name, declared in DECLARED.items() if declared.printed]
    controls = {name: [one for one in readings.get(name, ()) if not of_the_lot(one)] for name in printed}
    own = {name: [one for one in readings[name] if of_the_lot(one)] for name, some in controls.items() if some}
    return {**readings, **own}, {name: some for name, some in controls.items() if some}


def by_print(case: Case) -> dict[str, dict[str, Mapping[str, Any]]]:
    """Returns, per characteristic that is a print, what was measured of the prints of each printer: settings and strengths belong to a printer.

    The key is `printer|recipe`. Readings that do not count, and prints of unknown printers, are
    left out.

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
    """Returns the recipe that the limits name where a print states another, None where it counts."""
    asked = limits.asked.get(name, {}).get("test_print") if limits else None
    return None if asked is None or origin.test_print == asked else str(asked)
