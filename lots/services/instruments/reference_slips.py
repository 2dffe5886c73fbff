"""Likely mistakes in readings of masters, copies and tiles. They are stored with a warning."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from lots.domain.characteristics.color.doubts import suspect_master, suspect_repeat
from lots.domain.colorimetry.color_values import Conditions, Lab, mean_lab
from lots.services.from_rows import conditions_of
from lots.store.tables.models import ShadeRevision


def labs(rows: Sequence[Sequence[float]]) -> list[Lab]:
    """Returns posted readings as colours."""
    return [Lab(*row) for row in rows]


def warned(
    sides: Mapping[str, list[Lab]], masters: Collection[str], conditions: Conditions, revision: ShadeRevision, undo: str
) -> list[dict[str, str]]:
    """Returns warnings for readings far from the others of a plaque, and for a master far from its approved values.

    Args:
        sides: field -> readings of one plaque.
        masters: fields that are of the master.
        conditions: measuring conditions. Under other conditions than those of approval a master is not compared.
        revision: revision that the master was approved as.
        undo: sentence on the remedy for a mistake.
    """
    warnings = []
    for field, colors in sides.items():
        if slip := suspect_repeat(colors):
            index, detail, hint = slip
            warnings.append({"field": f"{field}/{index}", "detail": f"{detail}.", "hint": f"{hint} {undo}"})
        if field not in masters or conditions.differences(conditions_of(revision)):
            continue
        if far := suspect_master(mean_lab(colors), Lab(*revision.lab)):
            hint = f"Check that it is the master of this shade, and that the numbers are L*, a*, b*. {undo}"
            warnings.append({"field": field, "detail": f"{far}.", "hint": hint})
    return warnings
