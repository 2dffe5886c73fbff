"""Import of files of readings and deliveries.

An import is atomic. Every error is reported with its row and column. Importing the same file again changes nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import cast

from lots.services import clock, lookups
from lots.services.assessment import lot_after
from lots.services.errors import Clash, Fault, Invalid, LotsError
from lots.services.files import delivery_rows
from lots.services.files.csv_tables import MOST_FAULTS, CellFault, Options, fault
from lots.services.files.drafts import Draft, column_of, fault_at, placed
from lots.services.files.import_outcome import (
    DeliveryLine,
    Imported,
    ImportLine,
    LotLine,
    Outcome,
    RowWarning,
    delivery_line,
    forget_numbers,
    lot_line,
)
from lots.services.readings import recording
from lots.services.readings.sent import SentReading
from lots.services.receiving import receiving
from lots.services.receiving.bodies import NewDelivery
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.receiving import imports
from lots.store.tables.models import Import

DELIVERIES = "deliveries"
_MOST_INSTRUMENTS = 200


class _Undo(Exception):
    """Rolls back the transaction of a dry run."""


def digest_of(kind: str, options: Options, content: bytes) -> str:
    """Returns the SHA-256 of the kind, options and content of a file, which identifies it under any name."""
    said = json.dumps([kind, asdict(options)], sort_keys=True, ensure_ascii=False).encode("utf-8", "replace")
    return hashlib.sha256(said + b"\n" + content).hexdigest()


def earlier(digest: str, *, dry_run: bool) -> Imported | None:
    """Returns the earlier answer to this file, or None if it was never imported."""
    row = imports.by_digest(digest)
    if row is None:
        return None
    outcome = cast("Outcome", row.summary)
    return {**_view(row), **outcome, "dry_run": dry_run, "already_imported": True}


def listed(cursor: str | None, limit: int) -> Page[ImportLine]:
    """Returns a page of imports."""
    return imports.listed(cursor, limit).map(_view)


def store(draft: Draft, by: str, *, dry_run: bool = False) -> Imported:
    """Stores the items of a file in one transaction and assesses their lots. A dry run stores nothing.

    Args:
        draft: the parsed file, with its errors.
        by: who imports it.
        dry_run: True to store nothing.

    Returns:
        The summary: `lots` with their new status, `deliveries` with their samples, `warnings` with their rows.

    Raises:
        Invalid: every error of the file, by row; nothing was stored.
    """
    if draft.kind != DELIVERIES:
        _check_readings(draft)
    try:
        with transaction():
            now = clock.now()
            items, outcome = _deliveries(draft, by) if draft.kind == DELIVERIES else _readings(draft, by)
            found = _imported(draft, items, outcome, by, now)
            if dry_run:
                raise _Undo
            row = imports.add(_kept(found, outcome), by, now)
            audit.note(None, "file imported", by, now, {"import": [row.id]})
            found["id"] = row.id
    except _Undo:
        forget_numbers(found, {spool.get("code") for item in _rows_of(draft) for spool in item.get("spools") or ()})
        found["dry_run"] = True
    except Clash:
        # Another request imported the same file at the same time.
        if (known := earlier(draft.digest, dry_run=dry_run)) is not None:
            return known
        raise
    return found


def _imported(draft: Draft, items: int, outcome: Outcome, by: str, now: datetime) -> Imported:
    """Returns the outcome of a file, before its import has a number."""
    return {
        "id": None,
        "kind": draft.kind,
        "file_name": draft.file_name,
        "digest": draft.digest,
        "rows": draft.rows,
        "items": items,
        "lot_ids": [lot["id"] for lot in outcome["lots"] if lot["id"] is not None],
        "recorded_at": now,
        "recorded_by": by,
        **outcome,
        "dry_run": False,
        "already_imported": False,
    }


def _kept(found: Imported, outcome: Outcome) -> imports.NewImport:
    return {
        "kind": found["kind"],
        "file_name": found["file_name"],
        "digest": found["digest"],
        "rows": found["rows"],
        "items": found["items"],
        "lot_ids": found["lot_ids"],
        "summary": {**outcome},
    }


def _view(row: Import) -> ImportLine:
    return {
        "id": row.id,
        "kind": row.kind,
        "file_name": row.file_name,
        "digest": row.digest,
        "rows": row.rows,
        "items": row.items,
        "lot_ids": row.lot_ids,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
    }


def _rows_of(draft: Draft) -> list[NewDelivery]:
    """Returns the items of a delivery file, already checked by their schema."""
    return cast("list[NewDelivery]", draft.items)


def _readings_of(draft: Draft) -> list[SentReading]:
    """Returns the items of a file of readings, already checked by their schema."""
    return cast("list[SentReading]", draft.items)


def _refuse(draft: Draft, faults: Iterable[CellFault]) -> None:
    """Raises the errors, if any, in the order of rows and columns and without repetitions."""
    order = {name: place for place, name in enumerate(draft.columns.values())}
    once = sorted(dict.fromkeys(faults), key=lambda f: (f.row or 0, order.get(f.column or "", -1)))
    if once:
        raise Invalid(*once)


def _check_readings(draft: Draft) -> None:
    """Raises the errors of a file before the transaction, so that a wrong file does not block other writers."""
    faults = draft.faults.copy()
    if len(faults) < MOST_FAULTS:
        faults += _find_instruments(draft)  # this also sets the instruments of the items
        faults += placed(draft, recording.faults_of(draft.kind, dict(enumerate(_readings_of(draft)))))
    _refuse(draft, faults)


def _readings(draft: Draft, by: str) -> tuple[int, Outcome]:
    """Stores readings and returns their number and the outcome."""
    try:
        stored = recording.record(draft.kind, _readings_of(draft), by, as_list=True, look_first=False)
    except Invalid as refused:  # another request changed the data after the check
        raise Invalid(*placed(draft, refused.faults) or refused.faults) from None
    warnings: list[RowWarning] = [
        {"row": source.row, "column": said["field"], "detail": said["detail"], "hint": said["hint"]}
        for source, told in zip(draft.sources, stored["warnings"], strict=True)
        for said in told
    ]
    lots = [lot_line(lot) for lot in stored["lots"]]
    return len(stored["items"]), _outcome(draft, lots, [], warnings)


def _outcome(draft: Draft, lots: list[LotLine], deliveries: list[DeliveryLine], warnings: list[RowWarning]) -> Outcome:
    return {
        "lots": lots,
        "deliveries": deliveries,
        "warnings": warnings,
        "skipped_voided": draft.skipped,
        "notes": draft.notes,
    }


def _find_instruments(draft: Draft) -> list[CellFault]:
    """Sets the instruments of the items by their codes, and returns an error for each unknown code."""
    if len(set(draft.codes.values())) > _MOST_INSTRUMENTS:
        detail = f"A file may name at most {_MOST_INSTRUMENTS} instruments."
        return [fault(detail, "Split the file.", row=1, line=1, column=column_of(draft.columns, "instrument_code"))]
    known = {code: lookups.by_id_or_code("instrument", None, code) for code in dict.fromkeys(draft.codes.values())}
    faults = []
    for index, code in draft.codes.items():
        row, wrong = known[code]
        if row is None:
            faults.append(fault_at(draft.sources[index], "instrument_code", wrong[0]))
        else:
            draft.items[index]["instrument_id"] = row.id
    return faults


def _deliveries(draft: Draft, by: str) -> tuple[int, Outcome]:
    """Stores deliveries and returns their number and the outcome."""
    places = [(source.row, source.line) for source in draft.sources]
    alone = {index for index, source in enumerate(draft.sources) if source.broken}
    _refuse(draft, draft.faults if len(draft.faults) >= MOST_FAULTS else ())
    groups, faults = delivery_rows.grouped(_rows_of(draft), places, alone)
    faults = draft.faults + faults
    done: list[receiving.Logged] = []
    for group in groups:
        try:
            done.append(receiving.log(group.values(), by))
        except LotsError as refused:
            for wrong in refused.faults or (Fault("", refused.detail),):
                index, path = group.source_of(wrong.pointer)
                if not draft.sources[index].is_broken(path):
                    faults.append(fault_at(draft.sources[index], column_of(draft.columns, path), wrong))
    _refuse(draft, faults)
    numbers = dict.fromkeys(made.lot.id for made in done)
    lots = [lot_line(lot_after.after(lookups.lot_of(number))) for number in numbers]
    return len(done), _outcome(draft, lots, [delivery_line(made) for made in done], [])
