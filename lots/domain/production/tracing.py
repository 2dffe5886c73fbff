"""Jobs that a lot has reached, certainly or possibly, including unrecorded use."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import permutations

from lots.domain.words import counted

# A spool change takes minutes. A machine without a recorded spool for longer may have run. After a week it was idle.
# Common practice, no source.
SHORTEST_GAP = timedelta(minutes=15)
LONGEST_GAP = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Stay:
    """A spool on a machine for a job.

    Args:
        load_id: number of the load.
        lots: lots of its filament.
        machine, job: their names.
        start, end: of the load; `end` is None while the spool is loaded.
        slots: number of spools that the machine holds at once, >= 1.
    """

    load_id: int
    lots: frozenset[int]
    machine: str
    job: str
    start: datetime
    end: datetime | None
    slots: int = 1

    def lasts(self, at: datetime) -> bool:
        """Returns whether the spool was loaded at this time: start included, end excluded unless equal to the start."""
        return self.start <= at and (self.end is None or at < self.end or self.start == at)


@dataclass(frozen=True, slots=True)
class Gap:
    """Time between two loads in which a machine had no recorded spool."""

    machine: str
    start: datetime
    end: datetime
    before: Stay
    after: Stay

    @property
    def says(self) -> str:
        """The gap in words."""
        minutes = round((self.end - self.start).total_seconds() / 60)
        spell = f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
        return f"machine {self.machine} had no recorded spool for {spell} from {self.start:%Y-%m-%d %H:%M} UTC"


def gaps(stays: Iterable[Stay]) -> list[Gap]:
    """Returns the gaps of every machine, in order of time.

    Args:
        stays: all recorded loads of the machines, in any order.

    Notes:
        A machine with several slots has a gap only while all are empty. A gap lies between the last loads before it and the first loads after
        it. Where several end or begin at one time, each pair gives a gap.
    """
    by_machine: dict[str, list[Stay]] = {}
    for stay in stays:
        by_machine.setdefault(stay.machine, []).append(stay)
    found = [gap for mine in by_machine.values() for gap in _gaps_of_one(mine)]
    return sorted(found, key=lambda g: (g.start, g.before.load_id, g.after.load_id))


def _gaps_of_one(stays: list[Stay]) -> Iterator[Gap]:
    """Yields the gaps of one machine."""
    mine = sorted(stays, key=lambda s: (s.start, s.load_id))
    covered = mine[0].start
    for index, stay in enumerate(mine):
        if SHORTEST_GAP < stay.start - covered <= LONGEST_GAP:
            ended = [s for s in mine[:index] if s.end == covered]
            begun = [s for s in mine[index:] if s.start == stay.start]
            yield from (Gap(stay.machine, covered, stay.start, b, a) for b in ended for a in begun)
        if stay.end is None:
            return
        covered = max(covered, stay.end)


@dataclass(frozen=True, slots=True)
class Crowd:
    """Time from which a machine had more recorded spools than slots, so that the spool in use is unknown."""

    machine: str
    start: datetime
    stays: tuple[Stay, ...]

    @property
    def says(self) -> str:
        """The excess of spools in words."""
        return f"machine {self.machine} has {counted(self.stays[0].slots, 'slot')}, but {len(self.stays)} spools were recorded on it from {self.start:%Y-%m-%d %H:%M} UTC"


def crowds(stays: Iterable[Stay]) -> list[Crowd]:
    """Returns each time at which a spool was loaded on a machine without a free slot, in order of time.

    Args:
        stays: all recorded loads of the machines, in any order.

    Notes:
        The number of spools on a machine grows only when one is loaded, so checking each load finds every excess. A slot is free from the
        time at which its load ends.
    """
    found = []
    here: dict[str, list[Stay]] = {}
    for stay in sorted(stays, key=lambda s: (s.start, s.load_id)):
        there = [other for other in here.get(stay.machine, ()) if other.lasts(stay.start)]
        here[stay.machine] = [*there, stay]
        if len(there) + 1 > stay.slots:
            found.append(Crowd(stay.machine, stay.start, (*there, stay)))
    return found


Doubt = Gap | Crowd


def _neighbours(stays: Sequence[Stay]) -> Iterator[tuple[Stay, Stay, Doubt]]:
    """Yields every two loads of which one's spool may have run in the other's job, in both directions, with the reason."""
    for gap in gaps(stays):
        yield gap.before, gap.after, gap
        yield gap.after, gap.before, gap
    for crowd in crowds(stays):
        for one, other in permutations(crowd.stays, 2):
            yield one, other, crowd


@dataclass(frozen=True, slots=True)
class Reach:
    """Load by which a lot reached a job, certainly or possibly. `doubt` is the reason why it is only possible; `by` is the lot's own load."""

    stay: Stay
    by: Stay
    doubt: Doubt | None = None

    @property
    def certain(self) -> bool:
        """True when the lot itself was recorded there."""
        return self.doubt is None


def reached_by(lot: int, stays: Sequence[Stay]) -> list[Reach]:
    """Returns every load by which a lot reached a job: its own loads, and those of other lots in which its spools may have run.

    A spool may have stayed on unrecorded into the next job, or have been put on before its load, in the previous job. On a machine with more
    recorded spools than slots, it may have run in the job of each of them. A job reached for certain is not listed again as possible.

    Args:
        lot: its number.
        stays: all recorded loads of the machines it was on.
    """
    own = [Reach(stay, stay) for stay in stays if lot in stay.lots]
    certain = {reach.stay.job for reach in own}
    possible: dict[int, Reach] = {}
    for mine, other, doubt in _neighbours(stays):
        if lot in mine.lots and lot not in other.lots and other.job not in certain:
            possible.setdefault(other.load_id, Reach(other, mine, doubt))
    return [*own, *possible.values()]


def lots_of_job(job: str, stays: Sequence[Stay]) -> tuple[set[int], dict[int, Doubt]]:
    """Returns the lots recorded in a job, and the lots possibly in it, each with the reason.

    Args:
        job: its name.
        stays: all recorded loads of the machines it ran on.
    """
    certain = {lot for stay in stays if stay.job == job for lot in stay.lots}
    possible: dict[int, Doubt] = {}
    for mine, other, doubt in _neighbours(stays):
        if mine.job == job and other.job != job:
            for lot in other.lots - certain:
                possible.setdefault(lot, doubt)
    return certain, possible
