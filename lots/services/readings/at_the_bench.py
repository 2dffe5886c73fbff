"""Help for entry of readings: instruments to choose from, limits to plot against, and the next measurement."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from lots.domain.assessment.limits_revision import Limits, block_of, limits_from
from lots.domain.characteristics.declaring.declaration import Characteristic, every_reading
from lots.domain.characteristics.declaring.scales import Scale
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.rule_versions import CURRENT
from lots.domain.instruments.calibration import Check, InstrumentRecord, doubt_about
from lots.domain.instruments.measuring import may_measure
from lots.domain.receiving.next_measurement import Needed, Next, next_measurement, wanted_on
from lots.services.assessment.counting import OnRecord
from lots.services.assessment.judging import revisions_for
from lots.services.assessment.lot_assessment import reading_from
from lots.services.from_rows import approved_from
from lots.store import readings
from lots.store.setup import catalog
from lots.store.tables.models import LimitsRevision, Reading
from lots.store.tables.models import ShadeRevision as ShadeRevisionRow


@dataclass(frozen=True, slots=True)
class Offered:
    """An instrument to choose for a reading.

    Args:
        id, code, kind: as set up.
        doubt: reason why a reading with it would not count now, None where its calibration is valid.
        stated: False where its characteristics are not stated.
    """

    id: int
    code: str
    kind: str
    doubt: str | None
    stated: bool


def instruments_for(name: str, now: datetime) -> list[Offered]:
    """Returns the instruments that may measure a characteristic, those with a valid calibration first. Two queries."""
    rows = [row for row in catalog.all_instruments() if may_measure(name, row.measures)]
    checks = catalog.all_checks(row.id for row in rows)
    found = []
    for row in rows:
        held = [Check(one.checked_at, one.result == "pass") for one in checks[row.id]]
        record = InstrumentRecord(row.code, row.recorded_at, row.check_interval_days, held)
        found.append(Offered(row.id, row.code, row.kind, doubt_about(now, record, CURRENT), row.measures is not None))
    return sorted(found, key=lambda one: (one.doubt is not None, not one.stated))


# Not slotted, because of the cached properties.
@dataclass(frozen=True)
class Bench:
    """A lot during entry of readings.

    Args:
        record: its record.
        drawn: its drawn spools, in the order of measurement.
    """

    record: OnRecord
    drawn: Sequence[str] = ()

    @cached_property
    def _revisions(self) -> tuple[LimitsRevision | None, ShadeRevisionRow | None]:
        return revisions_for(self.record.lot)

    @cached_property
    def _limits(self) -> Limits | None:
        limits, _ = self._revisions
        return limits_from(limits.body) if limits else None

    def scales(self, declared: Characteristic) -> Sequence[Scale]:
        """Returns the limits of the lot that one reading is plotted against."""
        block = self._limits.given.get(declared.name) if self._limits else None
        if block is None:
            return ()
        _, shade = self._revisions
        reference = approved_from(shade) if shade and declared.of_type("conditions") else None
        return declared.scales(block, self.record.lot.grade.nominal_diameter_mm, reference)

    def next(self, kinds: Collection[str], kind: str, spool: str) -> Next | None:
        """Returns the next measurement after an entry, None when the drawn spools have all required readings.

        Args:
            kinds: characteristics that the user may measure.
            kind, spool: characteristic and spool of the entry.
        """
        needed = [one for one in self._needed() if one.kind in kinds]
        return next_measurement(needed, self.drawn, self._counts(one.kind for one in needed), kind, spool)

    def wanted(self, kind: str, spool: str) -> int:
        """Returns the number of readings of a kind still needed on a spool."""
        needed = next((one for one in self._needed() if one.kind == kind), None)
        return 0 if needed is None else max(0, wanted_on(needed, self.drawn, self._counts([kind]), spool))

    def _needed(self) -> list[Needed]:
        limits, (kept, _) = self._limits, self._revisions
        if limits is None or kept is None or not self.drawn:
            return []
        required = {name for names in limits.required().values() for name in names}
        return [self._of_block(DECLARED[name], block_of(kept.body, name)) for name in limits.given if name in required]

    def _of_block(self, declared: Characteristic, block: Mapping[str, object]) -> Needed:
        fewest = {
            one.counts: _number(block.get(one.name)) or _number(one.default) or 1
            for one in declared.limits.fields
            if one.counts
        }
        spools = _number(block.get("spools_min")) or declared.spools_min or len(self.drawn)
        return Needed(declared.name, fewest.get("spool", 1), fewest.get("lot", 0), spools)

    def _counts(self, kinds: Iterable[str]) -> Counter[tuple[str, str]]:
        wanted = set(kinds)
        if not wanted:
            return Counter()
        rows = readings.counting_among(self.record.readings)
        return Counter((row.kind, row.spool.code) for row in rows if row.kind in wanted and _of_lot(row))


def _of_lot(row: Reading) -> bool:
    """Returns False for a reading of another material, such as a control specimen."""
    declared = DECLARED[row.kind]
    return declared.of_lot is every_reading or declared.of_lot(reading_from(row))


def _number(asked: object) -> int:
    """Returns a count from a limits block, 0 without one."""
    return asked if isinstance(asked, int) else 0
