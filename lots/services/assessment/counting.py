"""The record of a lot, and the selection of the readings that count, with reasons for the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from lots.domain.characteristics.registry import DECLARED, said
from lots.domain.conformity.rule_versions import CURRENT, FIRST, SECOND
from lots.domain.instruments.calibration import InstrumentRecord, doubt_about
from lots.domain.words import counted
from lots.services.assessment.uncertainty import Uncertainties, uncertainties
from lots.services.from_rows import instruments_of
from lots.store import readings
from lots.store.assessment import build_doubts, lots, reinspections
from lots.store.receiving import deliveries, samples
from lots.store.tables.decisions import Reinspection
from lots.store.tables.models import Decision, LimitsRevision, Lot, Reading

FAR = "it is far from the other readings and was not confirmed"
NO_INSTRUMENT = "no instrument was named, and the limits require one"


@dataclass(frozen=True, slots=True)
class HeldTo:
    """Requirements for a reading to count.

    Args:
        rules: version of the rules.
        instruments_required: True when a measured reading must name its instrument. A count, such as of specks, needs
            none.
        doubts: True when prints of a suspect build do not count.
    """

    rules: int = SECOND
    instruments_required: bool = False
    doubts: bool = True

    @classmethod
    def by(cls, limits: LimitsRevision | None, rules: int) -> HeldTo:
        """Returns the requirements of a limits revision, None without one, and a version of the rules."""
        asked = limits is not None and limits.body.get("instruments") == "required"
        return cls(rules, rules > SECOND and asked)

    @classmethod
    def of(cls, held: Lot | Decision) -> HeldTo:
        """Returns the requirements for the readings of a lot, or those of a decision."""
        return cls.by(held.limits_revision, held.rules or FIRST)

    def lacks_instrument(self, kind: str, instrument_id: int | None) -> bool:
        """Returns whether a reading does not count because it names no instrument."""
        return self.instruments_required and instrument_id is None and DECLARED[kind].by_instrument


def in_doubt(build_keys: Iterable[str | None], rules: int, known_at: datetime | None = None) -> dict[str, str]:
    """Returns the reasons of doubts by build.

    One query from version 3 of the rules where a build is named, otherwise none.
    """
    named = {key for key in build_keys if key} if rules > SECOND else set()
    return {key: row.says.rstrip(".") for key, row in build_doubts.known(named, known_at).items()}


def why_not(
    row: Reading, held_to: HeldTo, instruments: Mapping[int, InstrumentRecord], doubted: Mapping[str, str]
) -> str | None:
    """Returns the reason why instrument or build keep a reading from counting, None without one.

    Args:
        row: a reading.
        held_to: requirements for its lot.
        instruments: instruments by number.
        doubted: suspect builds, as returned by `in_doubt`.

    Reference:
        ISO 10012:2003, 7.1 and ISO/IEC 17025, 7.7 (results require equipment with valid calibration; from memory).
    """
    if row.build_key is not None and row.build_key in doubted:
        return doubted[row.build_key]
    if row.instrument_id is not None:
        return doubt_about(row.measured_at, instruments[row.instrument_id], held_to.rules)
    return NO_INSTRUMENT if held_to.lacks_instrument(row.kind, None) else None


@dataclass(frozen=True)
class AboutReadings:
    """The record about readings. Each part is read once, on first use. Not slotted, because of the cached properties.

    Args:
        rows: the readings, or more.
        known_at: time up to which records count, None for all.
    """

    rows: Sequence[Reading]
    known_at: datetime | None = None

    @cached_property
    def instruments(self) -> dict[int, InstrumentRecord]:
        """The instruments, with their checks, by number."""
        return instruments_of(self.rows, self.known_at)

    @cached_property
    def uncertainties(self) -> Uncertainties:
        """The standard uncertainties of the readings by their instruments."""
        return uncertainties(self.rows, self.known_at)

    @cached_property
    def _doubted(self) -> dict[str, str]:
        return in_doubt((row.build_key for row in self.rows), CURRENT, self.known_at)

    def doubted(self, rules: int) -> dict[str, str]:
        """Returns the reasons of doubts by build, none before version 3 of the rules."""
        return self._doubted if rules > SECOND else {}

    @cached_property
    def unconfirmed(self) -> set[int]:
        """The numbers of readings that are far from the others and not confirmed."""
        return unconfirmed(self.rows, self.known_at)


@dataclass(frozen=True)
class OnRecord:
    """The record of a lot. Each part is read once, on first use. Not slotted, because of the cached properties.

    Args:
        lot: the lot, with its grade.
        known_at: time up to which records count, None for all.
        every: all readings of the lot (`readings.of_lot`), if loaded.
    """

    lot: Lot
    known_at: datetime | None = None
    every: Sequence[Reading] | None = None

    @cached_property
    def readings(self) -> list[Reading]:
        """The readings for the assessment, with excluded ones and those whose void waits for agreement."""
        if self.every is not None:
            return readings.to_judge_among(self.every)
        return readings.to_judge(self.lot.id, self.known_at)

    @cached_property
    def about(self) -> AboutReadings:
        """The record about its readings."""
        return AboutReadings(self.readings if self.every is None else self.every, self.known_at)

    @cached_property
    def deliveries(self) -> list[deliveries.Came]:
        """The open deliveries."""
        return [one for one in deliveries.of_lot(self.lot.id, self.known_at) if one.now.closed is None]

    @cached_property
    def samples(self) -> dict[int, samples.Changes]:
        """The changes to the sample of each delivery."""
        # Only a correction withdraws spools.
        corrected = any(one.logged.corrected for one in self.deliveries)
        return samples.changes_of((one.logged.id for one in self.deliveries), self.known_at, withdrawn=corrected)

    @cached_property
    def resumed(self) -> datetime | None:
        """When sampling of the supplier's lots of the grade was resumed last."""
        row = lots.last_resumption(self.lot.supplier_id, self.lot.grade_id, self.known_at)
        return row.recorded_at if row else None

    @cached_property
    def retest_rounds(self) -> dict[str, int]:
        """Rounds of readings beyond the first, per kind."""
        return readings.retest_rounds(self.lot.id, self.known_at)

    @cached_property
    def reinspections(self) -> list[Reinspection]:
        """Its re-inspections, in the order they were recorded."""
        return list(reinspections.of_lot(self.lot.id, self.known_at))


@dataclass(frozen=True, slots=True)
class CountingReadings:
    """Readings that count, notes on the others, readings that wait for confirmation, and builds left out."""

    rows: list[Reading]
    notes: tuple[str, ...]
    waiting: list[Reading]
    builds: tuple[str, ...] = ()


def select_counting(rows: Sequence[Reading], held_to: HeldTo, about: AboutReadings | None = None) -> CountingReadings:
    """Returns the readings that meet the requirements, and a note on each reason why others do not.

    One query, one more where prints name their build, and one where a reading is far from the others.

    Args:
        rows: readings that are neither voided nor screening.
        held_to: requirements for their lot.
        about: the record about them at the time of the assessment, None for the present.
    """
    about = about or AboutReadings(rows)
    instruments = about.instruments
    doubted = about.doubted(held_to.rules) if held_to.doubts else {}
    why = {row.id: why_not(row, held_to, instruments, doubted) for row in rows}
    kept = [row for row in rows if why[row.id] is None]
    notes = _left_out((row, said_why) for row in rows if (said_why := why[row.id]) is not None)
    waiting: list[Reading] = []
    if held_to.rules > SECOND:
        notes += _never_checked(kept, instruments)
        kept, waiting = _split(kept, about.unconfirmed)
        notes += _unsure(waiting)
    builds = dict.fromkeys(f"build {row.values['build']}" for row in rows if row.build_key in doubted)
    return CountingReadings(kept, tuple(notes), waiting, tuple(builds))


def _split(rows: Sequence[Reading], waiting: set[int]) -> tuple[list[Reading], list[Reading]]:
    """Returns the readings that need no confirmation, and those that wait for one."""
    return [row for row in rows if row.id not in waiting], [row for row in rows if row.id in waiting]


def _never_checked(rows: Sequence[Reading], instruments: Mapping[int, InstrumentRecord]) -> list[str]:
    """Returns a sentence on each instrument of these readings that was never checked."""
    used = {row.instrument_id for row in rows if row.instrument_id is not None}
    return [told for number in sorted(used) if (told := never_checked(instruments[number]))]


def _left_out(rows: Iterable[tuple[Reading, str]]) -> list[str]:
    """Returns a sentence on each reason why readings do not count, with their number."""
    left = Counter(("" if row.instrument_id else f" of {said(row.kind)}", why) for row, why in rows)
    return [
        f"{counted(n, f'reading{what} does', f'readings{what} do')} not count: {why}."
        for (what, why), n in left.items()
    ]


def _unsure(waiting: Sequence[Reading]) -> list[str]:
    """Returns a sentence on the readings that wait for confirmation, none without any."""
    if not waiting:
        return []
    if len(waiting) == 1:
        return [f"Reading {waiting[0].id} does not count: {FAR}."]
    numbers = ", ".join(str(row.id) for row in waiting)
    return [f"Readings {numbers} do not count: they are far from the other readings and were not confirmed."]


def that_count(
    rows: Sequence[Reading], held_to: HeldTo, about: AboutReadings | None = None
) -> tuple[list[Reading], tuple[str, ...]]:
    """Returns the readings that count, and the notes on the others."""
    found = select_counting(rows, held_to, about)
    return found.rows, found.notes


def unconfirmed(rows: Sequence[Reading], known_at: datetime | None = None) -> set[int]:
    """Returns the numbers of readings far from the others that were not confirmed until then.

    One query, none without such a reading.
    """
    far = {row.id for row in rows if row.to_confirm}
    return far - readings.confirmed(far, known_at) if far else far


def never_checked(instrument: InstrumentRecord) -> str:
    """Returns a sentence on an instrument that was never checked, "" for any other."""
    until = instrument.counts_until
    if until is None:
        return ""
    says = f"Instrument {instrument.code} has not been checked since it was registered."
    return f"{says} Its readings count until {until:%Y-%m-%d}."
