"""Bridges across a change of instrument.

A series continues when retained plaques measured on both prove a small step.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.color.declared_color import COLOR
from lots.domain.conformity.guard import COARSE_ABOVE
from lots.domain.drift.lot_series import SeriesLot
from lots.domain.instruments.agreement import LEAST_PLAQUES, bridge, noise_of
from lots.services.from_rows import UNNAMED, read_on_both
from lots.store.instruments import studies
from lots.store.instruments.studies import pair
from lots.store.tables.studies import InstrumentStudy


@dataclass(frozen=True, slots=True)
class InstrumentChange:
    """A change of instrument: whether it is bridged, the reason, and the number of the study, None without one."""

    bridged: bool
    says: str
    study: int | None = None


@dataclass(frozen=True, slots=True)
class Bridges:
    """The newest agreement study of each pair of instruments, and the largest steps allowed in L*, a*, b*."""

    steps: Mapping[str, float] = field(default_factory=dict)
    studies: Mapping[frozenset[str], InstrumentStudy] = field(default_factory=dict)

    def across(self, kind: str, before: Sequence[str], after: Sequence[str]) -> InstrumentChange | None:
        """Returns whether a series continues across a change of instruments, None where they are the same.

        Args:
            kind: characteristic. Only colour is measured on plaques; for others None is returned.
            before: every instrument of the series so far, because small steps may add up.
            after: instruments of the next lot.
        """
        if kind != COLOR.name:
            return None
        found = [self._pair(old, new) for old, new in product(before, after) if old != new]
        open_ = [one for one in found if not one.bridged]
        return next(iter(open_ or found), None)

    def _pair(self, old: str, new: str) -> InstrumentChange:
        study = self.studies.get(frozenset((old, new)))
        if UNNAMED in (old, new):
            return InstrumentChange(False, "Readings without a named instrument cannot be bridged.")
        if study is None:
            return InstrumentChange(
                False,
                f"An agreement study of {old} and {new} on at least {LEAST_PLAQUES} retained plaques may bridge the change.",
            )
        if not self.steps:
            return InstrumentChange(
                False,
                f"Study {study.id} cannot bridge the change, because the grade has no limits on colour.",
                study.id,
            )
        plaques = read_on_both(study.body)
        shows = bridge([plaque.pair for plaque in plaques], self.steps, noise_of(plaques))
        if shows.bridged:
            steps = ", ".join(f"{step.component}* {step.mean:+z.2f}" for step in shows.steps)
            first, second = pair(study)
            says = f"Study {study.id} bridges the change. On {shows.plaques} plaques {second} differs from {first} by {steps}, which is small compared with the limits."
            return InstrumentChange(True, says, study.id)
        says = f"Study {study.id} does not bridge the change. {' '.join(shows.reasons)}"
        return InstrumentChange(False, says, study.id)


NONE = Bridges()


def bridges(rows: Sequence[SeriesLot], limits: Limits | None) -> Bridges:
    """Returns the bridges between the instruments of lots of one grade. Queries as in `read_on`.

    Args:
        rows: lots with their instruments.
        limits: limits of the grade.
    """
    return Bridges(steps(limits), read_on(rows))


def read_on(rows: Sequence[SeriesLot]) -> dict[frozenset[str], InstrumentStudy]:
    """Returns the newest agreement study of each pair of instruments of the lots' colours, by their codes.

    No query for a single instrument, otherwise one.
    """
    codes = {code for row in rows for code in row.sources.get(COLOR.name, ())}
    found = studies.agreements(codes) if len(codes) > 1 else []
    return {frozenset(pair(row)): row for row in found}


def steps(limits: Limits | None) -> dict[str, float]:
    """Returns the largest step allowed in L*, a* and b*: a third of the limit, as for measurement uncertainty.

    The limit is that on the coordinate, otherwise that on the lot's colour difference. Empty without either.
    """
    if limits is None or limits.color is None:
        return {}
    rooms = {axis: (limits.color.components_max or {}).get(axis, limits.color.lot_max) for axis in "Lab"}
    known = {axis: COARSE_ABOVE * room for axis, room in rooms.items() if room}
    return known if len(known) == len(rooms) else {}
