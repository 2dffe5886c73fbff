"""Readings of masters, copies and tiles that look like slips: they are stored as they stand, with a warning."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from lots.domain.characteristics.color.doubts import suspect_master, suspect_repeat
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.services.from_rows import conditions_of
from lots.store.tables.models import ShadeRevision


def labs(rows: Sequence[Sequence[float]]) -> list[Lab]:
    """Colours as they were posted."""
    return [Lab(*row) for row in rows]


def warned(
    sides: Mapping[str, list[Lab]], masters: Collection[str], conditions: Conditions, revision: ShadeRevision, undo: str
) -> list[dict[str, str]]:
    """Warns of a reading far from the others of its plaque, and of a master far from its approved values.

    Args:
        sides: field -> readings of one plaque.
        masters: which of them are of the master.
        conditions: of all of them; a master read under others than it was approved under cannot be held against that.
        revision: that the master was approved as.
        undo: what to do when it was a slip.
    """
    warnings = []
    for field, colors in sides.items():
        if slip := suspect_repeat(colors):
            index, detail, hint = slip
            warnings.append({"field": f"{field}/{index}", "detail": f"{detail}.", "hint": f"{hint} {undo}"})
        if field not in masters or conditions.differences(conditions_of(revision)):
            continue
        if far := suspect_master(mean_lab(colors), Lab(*revision.lab)):
            hint = f"Is it the master of this shade, and are the numbers L*, a*, b*? {undo}"
            warnings.append({"field": field, "detail": f"{far}.", "hint": hint})
    return warnings
