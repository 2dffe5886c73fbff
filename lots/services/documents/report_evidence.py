"""The readings of a report and their instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypedDict

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import DECLARED
from lots.domain.instruments.calibration import InstrumentRecord
from lots.services import views
from lots.services.assessment import counting as counting_rule
from lots.services.assessment.lot_assessment import Judged, reading_from
from lots.services.from_rows import approved_from, instruments_of
from lots.services.views import View
from lots.store import nonconformity_report as store
from lots.store.setup import catalog
from lots.store.tables.models import Instrument, InstrumentCheck, Lot, Reading, ReadingExclusion, ReadingVoid


def evidence(
    lot: Lot,
    kinds: Sequence[str],
    judged: Judged,
    limits: Limits | None,
    known_at: datetime | None,
    *,
    whole: bool = False,
) -> tuple[list[Method], list[View]]:
    """Returns the method of each kind and all readings of these kinds, including those that do not count.

    No query without a kind. Else three queries, four if prints name their build, for any number of readings and instruments.

    Args:
        whole: include screening readings, and who recorded each reading with which note. A supplier does not need these.
    """
    if not kinds:
        return [], []
    rows = store.readings_of(lot.id, kinds, known_at, screening=whole)
    records = instruments_of(rows, known_at)
    checks = catalog.all_checks(records, known_at)
    doubted = counting_rule.in_doubt((row.build_key for row in rows), judged.rules, known_at)
    counting = set(judged.reading_ids)
    held_to = counting_rule.HeldTo.by(judged.limits, judged.rules)
    ruled = _CountingRules(judged, limits, known_at, held_to, records, doubted, counting, _superseded(rows, counting))
    said = [(row, ruled.why_not(row)) for row in rows]
    method = [_method(kind, [(row, why) for row, why in said if row.kind == kind], checks) for kind in kinds]
    # Ordered by characteristic, then by spool.
    return method, [_reading(row, why, known_at, whole) for kind in kinds for row, why in said if row.kind == kind]


@dataclass(frozen=True, slots=True)
class _CountingRules:
    """The rules by which a reading counts in a report.

    `counting` are the readings that were assessed, `superseded` those among them with a newer reading of the same spool.
    """

    judged: Judged
    limits: Limits | None
    known_at: datetime | None
    held_to: counting_rule.HeldTo
    records: Mapping[int, InstrumentRecord]
    doubted: Mapping[str, str]
    counting: set[int]
    superseded: set[int]

    def why_not(self, row: Reading) -> str | None:
        """Returns the reason, in words, why a reading does not count; None if it counts."""
        return self._left_out(row) or self._not_judged(row) or self._outside_terms(row)

    def _left_out(self, row: Reading) -> str | None:
        """Returns the reason if a person left the reading out: voided, excluded, spool withdrawn, or screening only."""
        if void := _void(row, self.known_at):
            return f"voided: {void.reason}"
        exclusion: ReadingExclusion | None = getattr(row, "exclusion", None)
        if exclusion is not None:
            return f"excluded by {exclusion.excluded_by} ({exclusion.cause}): {exclusion.reason}"
        gone = row.spool.withdrawn_at
        if gone is not None and (self.known_at is None or gone <= self.known_at):
            return "its spool was withdrawn"
        return "for information only" if row.screening else None

    def _not_judged(self, row: Reading) -> str | None:
        """Returns the reason if a rule left the reading out: its instrument, its build, an unconfirmed value or a newer reading."""
        if row.id not in self.counting:
            doubt = counting_rule.why_not(row, self.held_to, self.records, self.doubted)
            return doubt or (counting_rule.FAR if row.to_confirm else "not assessed")
        return "a newer reading of its spool counts instead" if row.id in self.superseded else None

    def _outside_terms(self, row: Reading) -> str | None:
        """Returns the reason why a valid reading is not compared with a limit; None if it is compared."""
        shade = self.judged.shade
        declared, approved = DECLARED[row.kind], approved_from(shade) if shade is not None else None
        block = self.limits.given.get(row.kind) if self.limits else None
        compared = declared.comparable(reading_from(row), block, approved)
        return None if compared is not None else declared.not_comparable


def _void(row: Reading, known_at: datetime | None) -> ReadingVoid | None:
    void: ReadingVoid | None = getattr(row, "void", None)
    return None if void is None or (known_at is not None and void.voided_at > known_at) else void


def _superseded(rows: Sequence[Reading], counting: set[int]) -> set[int]:
    """Returns the readings replaced by a newer one of the same spool, for kinds of which only the newest counts."""
    found: set[int] = set()
    for declared in DECLARED.values():
        if declared.newest:
            needed = [one.name for one in declared.fields if one.needed]
            mine = [row for row in rows if row.kind == declared.name and row.id in counting]
            mine.sort(key=lambda row: (row.measured_at, *(row.values[name] for name in needed)))
            newest = {row.spool_id: row.id for row in mine}
            found |= {row.id for row in mine} - set(newest.values())
    return found


def _reading(row: Reading, why: str | None, known_at: datetime | None, whole: bool) -> View:
    void = _void(row, known_at)
    return {
        "id": row.id,
        "kind": row.kind,
        "spool_code": row.spool.code,
        "measured_at": row.measured_at,
        "instrument_code": row.instrument.code if row.instrument else None,
        "says": DECLARED[row.kind].says(row.values),
        "values": row.values,
        **({"recorded_by": row.recorded_by, "note": row.note, "screening": row.screening} if whole else {}),
        "retest": row.retest,
        "counts": why is None,
        "why_not": why,
        "voided": views.void_line(void) if void else None,
    }


class Method(TypedDict):
    """The measuring of a characteristic."""

    characteristic: str
    says: str
    readings: int
    without_instrument: int
    instruments: list[View]


def _method(
    kind: str, said: Sequence[tuple[Reading, str | None]], checks: Mapping[int, Sequence[InstrumentCheck]]
) -> Method:
    counted = [row for row, why in said if why is None]
    used = {row.instrument.id: row.instrument for row in counted if row.instrument is not None}
    return {
        "characteristic": kind,
        "says": DECLARED[kind].method,
        "readings": len(counted),
        "without_instrument": sum(row.instrument_id is None for row in counted),
        "instruments": [
            _instrument(kind, row, [r.measured_at for r in counted if r.instrument_id == number], checks[number])
            for number, row in sorted(used.items())
        ],
    }


def _instrument(kind: str, row: Instrument, times: Sequence[datetime], checks: Sequence[InstrumentCheck]) -> View:
    first, last = min(times), max(times)
    before = max((c for c in checks if c.checked_at <= first), key=lambda c: (c.checked_at, c.id), default=None)
    after = min((c for c in checks if c.checked_at > last), key=lambda c: (c.checked_at, c.id), default=None)
    return {
        "code": row.code,
        "kind": row.kind,
        "standard_uncertainty": row.standard_uncertainty,
        "unit": DECLARED[kind].instrument_unit,
        "check_interval_days": row.check_interval_days,
        "readings": len(times),
        "first_reading_at": first,
        "last_reading_at": last,
        "last_check": _check(before),
        "next_check": _check(after),
    }


def _check(row: InstrumentCheck | None) -> View | None:
    return None if row is None else {"checked_at": row.checked_at, "result": row.result, "artefact": row.artefact}
