"""Lots as the domain's series: stretches of lots read alike, and the baseline each is charted against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lots.domain.characteristics.color.declared_color import VECTOR
from lots.domain.characteristics.registry import JUDGED, MEASURES
from lots.domain.drift.baseline import Baseline
from lots.domain.drift.color_together import ColorBaseline
from lots.services.from_rows import UNNAMED
from lots.services.instruments.instrument_changes import NONE, Bridges, InstrumentChange


@dataclass(frozen=True, slots=True)
class Segment:
    """Consecutive lots with a figure of one measure, all read alike, or across a change of instrument that retained plaques bridge.

    `numbers` count the supplier's lots of the grade from 1. `keys` say against and with what its lots were read, in order. `crossings` are the
    bridged changes, each with the lot it comes before; `began` is why it does not go on from the stretch before, None for the first.
    """

    measure: str
    keys: list[str]
    sources: list[str]
    numbers: list[int]
    rows: list[Any]
    values: list[float]
    crossings: list[tuple[int, Any, InstrumentChange]]
    began: InstrumentChange | None

    @property
    def key(self) -> str:
        """What its lots were read against and with."""
        return "; then ".join(self.keys)


def originals(rows: Sequence[Any]) -> list[Any]:
    """The lots that speak for the supplier's process: a lot sorted and sent again does not."""
    return [row for row in rows if row.resubmission_of_id is None]


def key_of(row: Any, measure: str) -> str:
    """Returns what a lot's figure was read against and with, such as "reference revision 2, read with SPEC-1": only like figures compare."""
    against = f"reference revision {row.reference}, " if MEASURES[measure].referred else ""
    return f"{against}read with {', '.join(_sources(row, measure))}"


def _sources(row: Any, measure: str) -> list[str]:
    return list(row.figures["sources"].get(measure.partition(".")[0], [UNNAMED]))


def stretches(rows: Sequence[Any], measure: str, bridges: Bridges = NONE) -> list[Segment]:
    """Returns the stretches of a measure over a supplier's lots of a grade, oldest first. Lots without a figure are passed over.

    Args:
        rows: lots in order.
        measure: a key of MEASURES.
        bridges: the changes of instrument that retained plaques read on both bridge under the grade's limits; by default none.
    """
    found: list[Segment] = []
    kind, read = measure.partition(".")[0], None
    for number, row in enumerate(rows, start=1):
        figures = row.figures
        figure = figures.get("measures", {}).get(measure)
        if figure is None:
            continue
        last = found[-1] if found else None
        # Against and with what a lot was read seldom changes from one to the next: only then is it put into words.
        if last is None or read != (row.reference, figures["sources"].get(kind)):
            read = (row.reference, figures["sources"].get(kind))
            last = _stretch_of(row, number, measure, found, bridges)
        last.numbers.append(number)
        last.rows.append(row)
        last.values.append(figure[0])
    return found


def _stretch_of(row: Any, number: int, measure: str, found: list[Segment], bridges: Bridges) -> Segment:
    """The stretch that a lot belongs to: the last one where it was read as that or across a bridge, else a new one."""
    key, sources = key_of(row, measure), _sources(row, measure)
    last = found[-1] if found else None
    if last is not None and last.keys[-1] == key:
        return last
    crossing = _crossing(last, row, measure, sources, bridges)
    if last is None or crossing is None or not crossing.bridged:
        last = Segment(measure, [], [], [], [], [], [], crossing)
        found.append(last)
    else:
        last.crossings.append((number, row, crossing))
    last.keys.append(key)
    last.sources.extend(name for name in sources if name not in last.sources)
    return last


def _crossing(
    last: Segment | None, row: Any, measure: str, sources: list[str], bridges: Bridges
) -> InstrumentChange | None:
    """What is known of a change from the stretch before to this lot; None where there is none, or where the reference changed."""
    if last is None or (MEASURES[measure].referred and last.rows[-1].reference != row.reference):
        return None
    return bridges.across(measure.partition(".")[0], last.sources, sources)


def color_rows(stretch: Segment) -> list[list[float]]:
    """dL*, da*, db* of each lot of a colour stretch."""
    return [[row.figures["measures"][name][0] for name in VECTOR] for row in stretch.rows]


def baseline_for(stretch: Segment, kept: Any) -> Baseline | None:
    """The chosen baseline of a stretch, or None where none was chosen for lots read as these were."""
    if kept is None:
        return None
    figure = kept.figures["measures"].get(stretch.measure)
    if figure is None or figure["key"] not in (None, *stretch.keys):
        return None
    named = set(kept.lot_ids) if figure["n"] else ()
    own = tuple(index for index, row in enumerate(stretch.rows) if row.id in named)
    return Baseline(figure["mean"], figure["sigma"], figure["n"], chosen=True, sd=figure.get("sd"), own=own)


def color_baseline_for(stretch: Segment, kept: Any) -> ColorBaseline | None:
    """The same for colour as a whole."""
    whole = None if kept is None else kept.figures.get("color")
    if whole is None or whole["key"] not in stretch.keys:
        return None
    return ColorBaseline(tuple(whole["mean"]), tuple(map(tuple, whole["covariance"])), whole["n"], chosen=True)


def measures_of(characteristic: str) -> list[str]:
    """Returns the measures of a characteristic, or the one that is named; empty when it is neither."""
    name = characteristic
    if characteristic in JUDGED:
        name = JUDGED[characteristic].follows or characteristic
    return [measure for measure in MEASURES if name in (measure, measure.partition(".")[0])]
