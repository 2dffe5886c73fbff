"""Lots as the domain's series: stretches of lots read alike, and the baseline each is charted against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.drift import Baseline, ColorBaseline
from lots.domain.figures import MEASURES

COLOR = ("color.component_l", "color.component_a", "color.component_b")


@dataclass(frozen=True, slots=True)
class Stretch:
    """Consecutive lots with a figure of one measure, all read alike. `numbers` count the supplier's lots of the grade from 1."""

    measure: str
    key: str
    numbers: list[int]
    rows: list[Any]
    values: list[float]


def originals(rows: Sequence[Any]) -> list[Any]:
    """The lots that speak for the supplier's process: a lot sorted and sent again does not."""
    return [row for row in rows if row.resubmission_of_id is None]


def key_of(row: Any, measure: str) -> str:
    """Returns what a lot's figure was read against and with, such as "reference revision 2, read with SPEC-1": only like figures compare."""
    kind = measure.partition(".")[0]
    sources = ", ".join(row.figures["sources"].get(kind, ["an unnamed instrument"]))
    against = f"reference revision {row.reference}, " if kind == "color" else ""
    return f"{against}read with {sources}"


def stretches(rows: Sequence[Any], measure: str) -> list[Stretch]:
    """Returns the stretches of a measure over a supplier's lots of a grade, oldest first. Lots without a figure are passed over."""
    found: list[Stretch] = []
    for number, row in enumerate(rows, start=1):
        figure = row.figures.get("measures", {}).get(measure)
        if figure is None:
            continue
        key = key_of(row, measure)
        if not found or found[-1].key != key:
            found.append(Stretch(measure, key, [], [], []))
        found[-1].numbers.append(number)
        found[-1].rows.append(row)
        found[-1].values.append(figure[0])
    return found


def color_rows(stretch: Stretch) -> list[list[float]]:
    """dL*, da*, db* of each lot of a colour stretch."""
    return [[row.figures["measures"][name][0] for name in COLOR] for row in stretch.rows]


def baseline_for(stretch: Stretch, kept: Any) -> Baseline | None:
    """The chosen baseline of a stretch, or None where none was chosen for lots read as these were."""
    if kept is None:
        return None
    figure = kept.figures["measures"].get(stretch.measure)
    if figure is None or figure["key"] not in (None, stretch.key):
        return None
    return Baseline(figure["mean"], figure["sigma"], figure["n"], chosen=True)


def color_baseline_for(stretch: Stretch, kept: Any) -> ColorBaseline | None:
    """The same for colour as a whole."""
    whole = None if kept is None else kept.figures.get("color")
    if whole is None or whole["key"] != stretch.key:
        return None
    return ColorBaseline(tuple(whole["mean"]), tuple(map(tuple, whole["covariance"])), whole["n"], chosen=True)


def measures_of(characteristic: str) -> list[str]:
    """Returns the measures of a characteristic, or the one that is named; empty when it is neither."""
    name = SYNONYMS.get(characteristic, characteristic)
    return [measure for measure in MEASURES if name in (measure, measure.partition(".")[0])]


# A finding judges the worst spool or reading; what drifts is the lot's mean of the same thing.
SYNONYMS = {"diameter.spool_mean": "diameter.mean", "diameter.ovality": "diameter.mean_ovality"}
