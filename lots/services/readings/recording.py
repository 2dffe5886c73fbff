"""The bench: readings in, one by one or in lists, each checked for sense, and the lots they belong to judged at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from lots.domain.characteristics.declaring.origin import Origin
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity import rule_versions
from lots.domain.instruments.calibration import InstrumentRecord, doubt_about
from lots.services import clock, views
from lots.services.assessment.counting import in_doubt, unconfirmed
from lots.services.assessment.drawing_spools import first_looks
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import after
from lots.services.errors import Fault, Invalid
from lots.services.from_rows import instruments_of
from lots.services.lookups import lot_of
from lots.services.readings import build_doubts, uncounted
from lots.services.readings.checks import check
from lots.services.readings.uncounted import Stored, Unconfirmed, Under
from lots.store import audit, readings
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page


def record(
    kind: str, items: Sequence[dict[str, Any]], by: str, *, as_list: bool, look_first: bool = True
) -> dict[str, Any]:
    """Stores readings of one kind, all or nothing, and judges every lot they belong to in the same transaction.

    Args:
        kind: one of the characteristics.
        items: fields as the contract names them, their types checked.
        by: who measured.
        as_list: how the request came; faults then point into the list.
        look_first: True where nobody looked for faults yet: a list is then checked before others have to wait for it.

    Returns:
        `items`: the readings as stored, with warnings. `lots`: where each lot stands now, with what is still loaded of a lot that may not be.

    Raises:
        Invalid: everything that makes no sense, all at once; nothing was stored.
    """
    now = clock.now()
    if as_list and look_first and (doomed := check(DECLARED[kind], items, now, as_list=True, to_store=False).faults):
        raise Invalid(*doomed)
    with transaction():
        checked = check(DECLARED[kind], items, now, as_list=as_list)
        if checked.faults:
            raise Invalid(*checked.faults)
        items, spools, held = checked.items, checked.spools, checked.lots
        # A spool that was drawn further because the sample could not tell is looked at for the first time.
        first = {lot.id: first_looks(lot, kind) for lot in held.values() if kind in lot.retestable}
        rows = [_row(kind, item, spools[item["spool_code"]], by, now) for item in items]
        for row, far in zip(rows, checked.far, strict=True):
            row["to_confirm"] = True if far else None
        for row in rows:
            looked_at = first.get(row["lot"].id)
            row["retest"] = looked_at is not None and row["spool"].code not in looked_at and not row["screening"]
        numbers = readings.add(rows)
        mine: dict[int, list[int]] = {}
        retested: dict[int, bool] = {}
        for number, row in zip(numbers, rows, strict=True):
            mine.setdefault(row["lot"].id, []).append(number)
            retested[row["lot"].id] = retested.get(row["lot"].id, False) or row["retest"]
        doubted = build_doubts.raised(DECLARED[kind], rows, by, now) if DECLARED[kind].printed else []
        judged = {}
        for lot in held.values():
            wrote = {"reading": mine[lot.id]}
            judged[lot.id], _ = judge_lot(lot, by, now, retest=retested[lot.id], what="readings recorded", wrote=wrote)
        others = build_doubts.judge_others(doubted, list(held), by, now) if doubted else []
        build_doubts.note(doubted, by, now)
        if checked.first_used:
            kept = {"measures": [kind]}
            audit.note(None, "instrument changed", by, now, {"instrument": checked.first_used}, kept)
        known = instruments_of([_Taken(item.get("instrument_id"), checked.instruments) for item in items])
        doubts = in_doubt((row["build_key"] for row in rows), rule_versions.CURRENT)
        under = {lot.id: Under.judged(lot, judged[lot.id], doubts) for lot in held.values()}
        lots = [*(after(lot, judged[lot.id]) for lot in held.values()), *others]
    # What a caller is told of each reading follows from what was read; nobody who writes waits for it.
    rules = {number: one.rules for number, one in judged.items()}
    unhelpful = [
        uncounted.told(_stored(row, known, under[row["lot"].id], Unconfirmed.of(number, far)))
        for number, row, far in zip(numbers, rows, checked.far, strict=True)
    ]
    said = [
        {
            "id": number,
            "kind": kind,
            "lot_id": row["lot"].id,
            "spool_code": row["spool"].code,
            "instrument_id": row["instrument"],
            "measured_at": row["measured_at"],
            "screening": row["screening"],
            "note": row["note"],
            **row["values"],
            "recorded_at": now,
            "recorded_by": by,
            "voided": None,
            "excluded": None,
            **_validity(row, known, rules[row["lot"].id]),
            "counts": all(one.against for one in told),
            "helps": not told,
            "why_not": told[0].clause if told else None,
            "to_confirm": bool(row["to_confirm"]) and rules[row["lot"].id] > rule_versions.SECOND,
            "warnings": [*warned, *(one.as_warning() for one in told)],
        }
        for number, row, warned, told in zip(numbers, rows, checked.warnings, unhelpful, strict=True)
    ]
    return {"items": said, "lots": lots}


def faults_of(kind: str, rows: Mapping[int, dict[str, Any]]) -> list[Fault]:
    """Returns everything that makes no sense in some readings of a list, whose others cannot even be read.

    Args:
        rows: the readings that can, by their places in the list.
    """
    places = list(rows)
    found = check(DECLARED[kind], list(rows.values()), clock.now(), as_list=True, to_store=False).faults
    split = [(fault, *fault.pointer.removeprefix("/").partition("/")) for fault in found]
    return [replace(fault, pointer=f"/{places[int(index)]}{mark}{rest}") for fault, index, mark, rest in split]


@dataclass(frozen=True, slots=True)
class _Taken:
    """A reading's instrument, before the reading itself is read back."""

    instrument_id: int | None
    instruments: dict[int, Any]

    @property
    def instrument(self) -> Any:
        """The instrument's row."""
        return self.instruments[self.instrument_id] if self.instrument_id is not None else None


def _stored(
    row: dict[str, Any], known: dict[int, InstrumentRecord], under: Under, unconfirmed: Unconfirmed | None
) -> Stored:
    instrument = known[row["instrument"]] if row["instrument"] is not None else None
    taken = (row["values"], row["spool"].code, row["measured_at"], row["screening"], instrument, under, unconfirmed)
    return Stored(DECLARED[row["kind"]], *taken)


def _validity(row: dict[str, Any], known: dict[int, InstrumentRecord], rules: int) -> dict[str, Any]:
    number = row["instrument"]
    doubt = doubt_about(row["measured_at"], known[number], rules) if number is not None else None
    return {"decision_valid": doubt is None, "doubt": doubt}


def _row(kind: str, item: dict[str, Any], spool: Any, by: str, now: datetime) -> dict[str, Any]:
    values, printed = DECLARED[kind].stored(item), DECLARED[kind].printed
    origin = Origin.of(values)
    return {
        "kind": kind,
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
        "build_key": origin.build_key if printed else None,
        "control_of": origin.control_of if printed else None,
    }


def whole_reading(number: int) -> dict[str, Any]:
    """Returns one reading as it stands."""
    row = readings.find(number)
    return _views([row], lot_of(row.lot_id))[0]


def of_lot(lot_id: int, kind: str | None, cursor: str | None, limit: int) -> Page:
    """Returns a page of everything that was recorded of a lot, voided and screening readings included."""
    lot = lot_of(lot_id)
    found = readings.listed(lot, kind, cursor, limit)
    return Page(_views(found.rows, lot), found.next)


def _views(rows: list[Any], lot: Any) -> list[dict[str, Any]]:
    """Readings of a lot with whether and why not they count. Seven queries at most, none without a reading."""
    if not rows:
        return []
    instruments, under, waiting = instruments_of(rows), Under.of_lot(lot, rows), unconfirmed(rows)
    return [
        {
            **views.reading(row, _doubt(row, instruments, under)),
            **uncounted.of_row(row, under, instruments, to_confirm=row.id in waiting),
        }
        for row in rows
    ]


def _doubt(row: Any, instruments: dict[int, InstrumentRecord], under: Under) -> str | None:
    number = row.instrument_id
    return doubt_about(row.measured_at, instruments[number], under.held_to.rules) if number else None
