"""May a series go on where its instrument changes? Only where retained plaques, read on both, show the step between them to be small."""

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
    """A change of instrument: whether the series goes on across it, why, and the number of the study that says so, None where none was made."""

    bridged: bool
    says: str
    study: int | None = None


@dataclass(frozen=True, slots=True)
class Bridges:
    """The agreement studies between instruments by their codes, newest last, and how large a step in L*, a*, b* may be."""

    steps: Mapping[str, float] = field(default_factory=dict)
    studies: Mapping[frozenset[str], InstrumentStudy] = field(default_factory=dict)

    def across(self, kind: str, before: Sequence[str], after: Sequence[str]) -> InstrumentChange | None:
        """Returns whether a series goes on from instruments to others.

        Args:
            kind: such as color; nothing else is read on plaques, so for another kind there is nothing to say.
            before: every instrument of the stretch so far: steps that are small one by one may not be together.
            after: those of the lot after it.
        """
        if kind != COLOR.name:
            return None
        found = [self._pair(old, new) for old, new in product(before, after) if old != new]
        open_ = [one for one in found if not one.bridged]
        return next(iter(open_ or found), None)

    def _pair(self, old: str, new: str) -> InstrumentChange:
        study = self.studies.get(frozenset((old, new)))
        if UNNAMED in (old, new):
            return InstrumentChange(False, "What was read without naming the instrument cannot be tied to anything.")
        if study is None:
            return InstrumentChange(
                False,
                f"{LEAST_PLAQUES} or more retained plaques, read on {old} and on {new} and stored as a study of their agreement, may bridge it.",
            )
        if not self.steps:
            return InstrumentChange(
                False, f"Study {study.id} cannot bridge it: the grade's limits set none on colour.", study.id
            )
        plaques = read_on_both(study.body)
        shows = bridge([plaque.pair for plaque in plaques], self.steps, noise_of(plaques))
        if shows.bridged:
            steps = ", ".join(f"{step.component}* {step.mean:+.2f}" for step in shows.steps)
            first, second = pair(study)
            says = f"Study {study.id} bridges it: on {shows.plaques} plaques {second} reads {steps} from {first}, which is small beside the limits."
            return InstrumentChange(True, says, study.id)
        return InstrumentChange(False, f"Study {study.id} does not bridge it. {' '.join(shows.reasons)}", study.id)


NONE = Bridges()


def bridges(rows: Sequence[SeriesLot], limits: Limits | None) -> Bridges:
    """Returns what bridges changes of instrument among these lots of one grade. Queries as `read_on` makes them.

    Args:
        rows: lots with what they were read with.
        limits: the limits of their grade.
    """
    return Bridges(steps(limits), read_on(rows))


def read_on(rows: Sequence[SeriesLot]) -> dict[frozenset[str], InstrumentStudy]:
    """The newest agreement study between each two of the instruments that lots' colours were read with, by their codes.

    No query where all were read with one, else one.
    """
    codes = {code for row in rows for code in row.sources.get(COLOR.name, ())}
    found = studies.agreements(codes) if len(codes) > 1 else []
    return {frozenset(pair(row)): row for row in found}


def steps(limits: Limits | None) -> dict[str, float]:
    """How large a step in L*, a* and b* may be: a third of the limit, which is as much of it as a method may take up.

    Of the limit on the coordinate, or of that on the lot's colour difference where the coordinate has none; empty where neither is set.
    """
    if limits is None or limits.color is None:
        return {}
    rooms = {axis: (limits.color.components_max or {}).get(axis, limits.color.lot_max) for axis in "Lab"}
    known = {axis: COARSE_ABOVE * room for axis, room in rooms.items() if room}
    return known if len(known) == len(rooms) else {}
