"""Recording of readings, one or a list. All are checked, and their lots are assessed in the same transaction."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypedDict

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity import rule_versions
from lots.domain.instruments.calibration import InstrumentRecord, doubt_about
from lots.services import clock, views
from lots.services.assessment.counting import AboutReadings, OnRecord, in_doubt
from lots.services.assessment.drawing_spools import first_looks
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import LotAfter, after
from lots.services.assessment.lot_assessment import Judged
from lots.services.errors import Fault, Invalid, NotFound
from lots.services.from_rows import instruments_of
from lots.services.lookups import lot_of
from lots.services.readings import build_doubts, uncounted
from lots.services.readings.checks import Checked, check
from lots.services.readings.sent import SentReading, Warned
from lots.services.readings.uncounted import Stored, Unconfirmed, UncountedReason, Under
from lots.services.views import View
from lots.store import audit, readings
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.readings import NewReading
from lots.store.tables.models import Instrument, Lot, Reading, Spool


class Recorded(TypedDict):
    """Stored readings, their warnings, and the status of their lots."""

    items: list[View]
    warnings: list[list[Warned]]
    lots: list[LotAfter]


def record(kind: str, items: Sequence[SentReading], by: str, *, as_list: bool, look_first: bool = True) -> Recorded:
    """Stores readings of one kind, all or none, and assesses their lots in the same transaction.

    Args:
        kind: characteristic measured.
        items: readings with checked types.
        by: person who measured.
        as_list: True when the request is a list, so that faults point into it.
        look_first: True to check a list for faults before the transaction, which makes other requests wait.

    Returns:
        The readings with their warnings, and the lots with loads of those that may not be used.

    Raises:
        Invalid: with every fault; nothing was stored.
    """
    return _record(kind, items, by, as_list=as_list, look_first=look_first)


class _Rollback(Exception):
    """Rolls back a trial transaction."""


def tried(kind: str, items: Sequence[SentReading], by: str) -> list[View]:
    """Returns readings as they would be stored, with their warnings and reasons for not counting. Nothing is stored.

    The status of their lots is left out, so that nobody selects readings by it.

    Raises:
        Invalid: with every fault.
    """
    found: list[View] = []
    with contextlib.suppress(_Rollback), transaction():
        found = _record(kind, items, by, as_list=True, look_first=True, numbered=False)["items"]
        raise _Rollback
    return found


def _record(
    kind: str, items: Sequence[SentReading], by: str, *, as_list: bool, look_first: bool, numbered: bool = True
) -> Recorded:
    """Stores readings, see `record`. Without `numbered` no sentence contains the number of a reading."""
    declared, now = DECLARED[kind], clock.now()
    if as_list and look_first and (doomed := check(declared, items, now, as_list=True, to_store=False).faults):
        raise Invalid(*doomed)
    with transaction():
        checked = check(declared, items, now, as_list=as_list)
        if checked.faults:
            raise Invalid(*checked.faults)
        held = checked.lots.values()
        rows = _rows(declared, checked, by, now)
        numbers = readings.add(rows)
        doubted = build_doubts.raised(declared, rows, by, now) if declared.printed else []
        judged = _judge(held, rows, numbers, by, now)
        others = build_doubts.judge_others(doubted, list(checked.lots), by, now) if doubted else []
        build_doubts.note(doubted, by, now)
        if checked.first_used:
            audit.note(None, "instrument changed", by, now, {"instrument": checked.first_used}, {"measures": [kind]})
        known = instruments_of(
            [_NamedInstrument(item.get("instrument_id"), checked.instruments) for item in checked.items]
        )
        doubts = in_doubt((row["build_key"] for row in rows), rule_versions.CURRENT)
        under = {lot.id: Under.judged(lot, judged[lot.id], doubts) for lot in held}
        stand = [*(after(lot, judged[lot.id]) for lot in held), *others]
    # The warnings are worded after the transaction, so that other requests do not wait for them.
    told = [
        uncounted.told(_stored(row, known, under[row["lot"].id], Unconfirmed.of(number if numbered else None, far)))
        for number, row, far in zip(numbers, rows, checked.far, strict=True)
    ]
    rules = {number: one.rules for number, one in judged.items()}
    warnings = [
        [*warned, *(one.as_warning() for one in mine)] for warned, mine in zip(checked.warnings, told, strict=True)
    ]
    said = [
        {**_answer(number, row, known, rules[row["lot"].id], mine), "warnings": warned}
        for number, row, mine, warned in zip(numbers, rows, told, warnings, strict=True)
    ]
    return {"items": said, "warnings": warnings, "lots": stand}


def _rows(declared: Characteristic, checked: Checked, by: str, now: datetime) -> list[NewReading]:
    """Returns readings as they are stored."""
    # The first readings of a further drawn spool are no retest.
    first = {
        lot.id: first_looks(lot, declared.name) for lot in checked.lots.values() if declared.name in lot.retestable
    }
    rows = []
    for item, far in zip(checked.items, checked.far, strict=True):
        row = _row(declared, item, checked.spools[item["spool_code"]], by, now)
        looked_at = first.get(row["lot"].id)
        row["retest"] = looked_at is not None and row["spool"].code not in looked_at and not row["screening"]
        row["to_confirm"] = True if far else None
        rows.append(row)
    return rows


def _judge(
    held: Collection[Lot], rows: Sequence[NewReading], numbers: Sequence[int], by: str, now: datetime
) -> dict[int, Judged]:
    """Assesses each lot with its new readings, and returns the assessments by the lot's number."""
    mine: dict[int, list[int]] = {lot.id: [] for lot in held}
    retested: set[int] = set()
    for number, row in zip(numbers, rows, strict=True):
        mine[row["lot"].id].append(number)
        if row["retest"]:
            retested.add(row["lot"].id)
    found = {}
    for lot in held:
        wrote = {"reading": mine[lot.id]}
        found[lot.id], _ = judge_lot(lot, by, now, retest=lot.id in retested, what="readings recorded", wrote=wrote)
    return found


def _answer(
    number: int, row: NewReading, known: Mapping[int, InstrumentRecord], rules: int, told: Sequence[UncountedReason]
) -> View:
    """Returns the answer for a new reading."""
    instrument = row["instrument"]
    doubt = None if instrument is None else doubt_about(row["measured_at"], known[instrument], rules)
    return {
        "id": number,
        "kind": row["kind"],
        "lot_id": row["lot"].id,
        "spool_code": row["spool"].code,
        "instrument_id": instrument,
        "measured_at": row["measured_at"],
        "screening": row["screening"],
        "note": row["note"],
        **row["values"],
        "recorded_at": row["recorded_at"],
        "recorded_by": row["recorded_by"],
        "voided": None,
        "excluded": None,
        "decision_valid": doubt is None,
        "doubt": doubt,
        "counts": all(one.against for one in told),
        "helps": not told,
        "why_not": told[0].clause if told else None,
        "to_confirm": bool(row["to_confirm"]) and rules > rule_versions.SECOND,
    }


def faults_of(kind: str, rows: Mapping[int, SentReading]) -> list[Fault]:
    """Returns the faults of the readable readings of a list whose other rows cannot be parsed.

    Args:
        rows: the readable readings by their places in the list.
    """
    places = list(rows)
    found = check(DECLARED[kind], list(rows.values()), clock.now(), as_list=True, to_store=False).faults
    split = [(fault, *fault.pointer.removeprefix("/").partition("/")) for fault in found]
    return [replace(fault, pointer=f"/{places[int(index)]}{mark}{rest}") for fault, index, mark, rest in split]


@dataclass(frozen=True, slots=True)
class _NamedInstrument:
    """The instrument of a new reading."""

    instrument_id: int | None
    instruments: dict[int, Instrument]

    @property
    def instrument(self) -> Instrument | None:
        """The instrument's row."""
        return self.instruments[self.instrument_id] if self.instrument_id is not None else None


def _stored(
    row: NewReading, known: Mapping[int, InstrumentRecord], under: Under, unconfirmed: Unconfirmed | None
) -> Stored:
    instrument = known[row["instrument"]] if row["instrument"] is not None else None
    taken = (row["values"], row["spool"].code, row["measured_at"], row["screening"], instrument, under, unconfirmed)
    return Stored(DECLARED[row["kind"]], *taken)


def _row(declared: Characteristic, item: SentReading, spool: Spool, by: str, now: datetime) -> NewReading:
    values = declared.stored(item)
    origin = Origin.of(values)
    return {
        "kind": declared.name,
        "spool": spool,
        "lot": spool.lot,
        "instrument": item.get("instrument_id"),
        "measured_at": item.get("measured_at") or now,
        "recorded_at": now,
        "recorded_by": by,
        "screening": bool(item.get("screening")),
        "values": values,
        "note": item.get("note"),
        "to_confirm": None,
        "build_key": origin.build_key if declared.printed else None,
        "control_of": origin.control_of if declared.printed else None,
    }


def found(number: int) -> Reading:
    """Returns a reading.

    Raises:
        NotFound: it does not exist.
    """
    row = readings.find(number)
    if row is None:
        raise NotFound(f"Reading {number} does not exist. See the readings of its lot.")
    return row


def held(number: int) -> tuple[Lot, Reading]:
    """Returns the locked lot of a reading, and the reading.

    Raises:
        NotFound: the reading does not exist.
    """
    lot_id = found(number).lot_id
    return lots.lock([lot_id])[lot_id], found(number)


def whole_reading(number: int) -> View:
    """Returns one reading, with whether it counts."""
    row = found(number)
    return _views([row], OnRecord(lot_of(row.lot_id)), AboutReadings([row]))[0]


def of_lot(lot_id: int, kind: str | None, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of all readings of a lot, voided and screening readings included."""
    lot = lot_of(lot_id)
    page = readings.listed(lot, kind, cursor, limit)
    return Page(_views(page.rows, OnRecord(lot), AboutReadings(page.rows)), page.next)


def everything_of(lot_id: int) -> OnRecord:
    """Returns the record of a lot with all its readings loaded. Two queries.

    Raises:
        NotFound: no such lot.
    """
    lot = lot_of(lot_id)
    return OnRecord(lot, every=readings.of_lot(lot.id))


def newest_of(record: OnRecord, most: int | None) -> list[View]:
    """Returns the newest `most` readings of a lot, or all, in the order they were recorded.

    No query where the record was assessed.
    """
    every = record.every or ()
    return _views(every[-most:] if most else every, record, record.about)


def _views(rows: Sequence[Reading], record: OnRecord, about: AboutReadings) -> list[View]:
    """Returns readings of a lot, with whether they count and why not. Seven queries at most, none without a reading."""
    if not rows:
        return []
    instruments, under = about.instruments, Under.of_record(record, rows, about)
    return [
        {
            **views.reading(row, _doubt(row, instruments, under)),
            **uncounted.of_row(row, under, instruments, to_confirm=row.id in about.unconfirmed),
        }
        for row in rows
    ]


def _doubt(row: Reading, instruments: dict[int, InstrumentRecord], under: Under) -> str | None:
    number = row.instrument_id
    return doubt_about(row.measured_at, instruments[number], under.held_to.rules) if number else None
