"""The readings behind a report, and the instruments they were taken with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from lots.domain.assessment.limits_revision import Limits
from lots.domain.characteristics.registry import DECLARED
from lots.services import views
from lots.services.assessment import counting as counting_rule
from lots.services.assessment.lot_assessment import Judged, reading_from
from lots.services.from_rows import approved_from, instruments_of
from lots.store import nonconformity_report as store
from lots.store.setup import catalog


def evidence(
    lot: Any,
    kinds: Sequence[str],
    judged: Judged,
    limits: Limits | None,
    known_at: datetime | None,
    *,
    whole: bool = False,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Returns how each kind was measured and the readings of these kinds, voided ones and others that do not count among them.

    Three queries, four where prints name their build, however many readings and instruments there are; none without a kind. With `whole`
    readings kept without judging by them are among them, and each tells who recorded it and what they noted, which a supplier does not need.
    """
    if not kinds:
        return [], []
    rows = store.readings_of(lot.id, kinds, known_at, screening=whole)
    records = instruments_of(rows, known_at)
    checks = catalog.all_checks(records, known_at)
    held_to = counting_rule.HeldTo.by(judged.limits, judged.rules)
    doubted = counting_rule.in_doubt((row.build_key for row in rows), judged.rules, known_at)
    counting, superseded = set(judged.reading_ids), _superseded(rows, set(judged.reading_ids))

    def why_not(row: Any) -> str | None:
        if _void(row, known_at) is not None:
            return f"voided: {row.void.reason}"
        if exclusion := views.exclusion_line(row):
            return f"excluded by {exclusion['excluded_by']} ({exclusion['cause']}): {exclusion['reason']}"
        if (gone := row.spool.withdrawn_at) is not None and (known_at is None or gone <= known_at):
            return "its spool was withdrawn"
        if row.screening:
            return "kept without judging by it"
        if row.id not in counting:
            return counting_rule.why_not(row, held_to, records, doubted) or (
                counting_rule.FAR if row.to_confirm else "not judged"
            )
        if row.id in superseded:
            return "a newer reading of its spool counts instead"
        return _outside_terms(row, judged, limits)

    said = [(row, why_not(row)) for row in rows]
    method = [_method(kind, [(row, why) for row, why in said if row.kind == kind], checks) for kind in kinds]
    # In the order of the characteristics, each by spool.
    return method, [_reading(row, why, known_at, whole) for kind in kinds for row, why in said if row.kind == kind]


def _void(row: Any, known_at: datetime | None) -> Any:
    void = getattr(row, "void", None)
    return None if void is None or (known_at is not None and void.voided_at > known_at) else void


def _superseded(rows: Sequence[Any], counting: set[int]) -> set[int]:
    """Readings that a newer one of the same spool stands in for, where only the newest counts."""
    found: set[int] = set()
    for declared in DECLARED.values():
        if declared.newest:
            mine = [row for row in rows if row.kind == declared.name and row.id in counting]
            mine.sort(
                key=lambda row: (row.measured_at, *(row.values[one.name] for one in declared.fields if one.needed))
            )
            newest = {row.spool_id: row.id for row in mine}
            found |= {row.id for row in mine} - set(newest.values())
    return found


def _outside_terms(row: Any, judged: Judged, limits: Limits | None) -> str | None:
    """Why a reading that is in order is not held against a limit, None when it is."""
    declared, shade = DECLARED[row.kind], approved_from(judged.shade) if judged.shade is not None else None
    block = limits.given.get(row.kind) if limits else None
    return None if declared.comparable(reading_from(row), block, shade) is not None else declared.not_comparable


def _reading(row: Any, why: str | None, known_at: datetime | None, whole: bool) -> dict[str, Any]:
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


def _method(kind: str, said: Sequence[tuple[Any, str | None]], checks: dict[int, list[Any]]) -> dict[str, Any]:
    counted = [row for row, why in said if why is None]
    used = {row.instrument_id: row.instrument for row in counted if row.instrument_id is not None}
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


def _instrument(kind: str, row: Any, times: Sequence[datetime], checks: Sequence[Any]) -> dict[str, Any]:
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


def _check(row: Any) -> dict[str, Any] | None:
    return row and {"checked_at": row.checked_at, "result": row.result, "artefact": row.artefact}
