"""Whole files in: readings and deliveries, all or nothing, every fault with its row and column, the same file twice without effect."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

from lots.domain.characteristics.registry import DECLARED
from lots.services import clock, lookups
from lots.services.assessment import lot_after
from lots.services.errors import Clash, Fault, Invalid, LotsError
from lots.services.files import delivery_rows
from lots.services.files.csv_tables import MOST_FAULTS, CellFault, Options, fault
from lots.services.readings import recording
from lots.services.receiving import receiving
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.receiving import imports

DELIVERIES = "deliveries"
_MOST_INSTRUMENTS = 200
_SHOWN = ("id", "kind", "file_name", "digest", "rows", "items", "lot_ids", "recorded_at", "recorded_by")
_POINTER = re.compile(r"/(\d+)(?:/(.*))?", re.DOTALL)
# How a sentence about a whole colour begins when it is about one of its coordinates.
_COORDINATES = ("L*", "a*", "b*")


@dataclass(slots=True)
class Source:
    """Where an item came from: its row, the line that starts on, and the fields in which a fault was found already."""

    row: int
    line: int
    broken: set[str] = field(default_factory=set)

    def is_broken(self, path: str) -> bool:
        """True when a fault of this field is known, or of something in it, or of what it stands in."""
        return any(f"{path}/".startswith(f"{known}/") or f"{known}/".startswith(f"{path}/") for known in self.broken)


@dataclass(slots=True)
class Draft:
    """A file as it was read.

    Attributes:
        digest: of kind, options and content.
        rows: rows below the header.
        items: one for each row that counts, in the types of the API. A field at fault holds a stand-in, so that the rest can be judged.
        sources: where each item came from.
        columns: field, such as `lab/0`, -> name of its column in the file.
        faults: found so far.
        codes: item -> code of its instrument.
        skipped: voided and excluded readings that were let by.
        notes: what else was let by, in words.
    """

    kind: str
    file_name: str
    digest: str
    rows: int = 0
    items: list[dict[str, Any]] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    faults: list[CellFault] = field(default_factory=list)
    codes: dict[int, str] = field(default_factory=dict)
    skipped: int = 0
    notes: list[str] = field(default_factory=list)


class _Undo(Exception):
    """Ends a transaction whose outcome was only to be seen."""


def digest_of(kind: str, options: Options, content: bytes) -> str:
    """Returns the SHA-256 by which a file is known again: of its kind, its options and its content, whatever its name."""
    said = json.dumps([kind, asdict(options)], sort_keys=True, ensure_ascii=False).encode("utf-8", "replace")
    return hashlib.sha256(said + b"\n" + content).hexdigest()


def earlier(digest: str, *, dry_run: bool) -> dict[str, Any] | None:
    """Returns what was answered when this file was imported, or None when it never was."""
    row = imports.by_digest(digest)
    return None if row is None else {**_view(row), **row.summary, "dry_run": dry_run, "already_imported": True}


def listed(cursor: str | None, limit: int) -> Page:
    """Returns a page of imports."""
    return imports.listed(cursor, limit).map(_view)


def store(draft: Draft, by: str, *, dry_run: bool = False) -> dict[str, Any]:
    """Stores what a file holds in one transaction, and judges every lot it touches; or undoes it all, when only asked what would be.

    Args:
        draft: a file as it was read, faults included.
        by: whoever is to be recorded.
        dry_run: True to store nothing.

    Returns:
        The summary: `lots` as they stand now, `deliveries` with their samples, `warnings` with their rows.

    Raises:
        Invalid: every fault of the file, in order of its rows; nothing was stored.
    """
    found: dict[str, Any] = {}
    if draft.kind != DELIVERIES:
        _check_readings(draft)
    try:
        with transaction():
            now = clock.now()
            summary = _deliveries(draft, by) if draft.kind == DELIVERIES else _readings(draft, by)
            summary |= {"skipped_voided": draft.skipped, "notes": draft.notes}
            kept = {"kind": draft.kind, "file_name": draft.file_name, "digest": draft.digest, "rows": draft.rows}
            kept |= {"items": summary.pop("items"), "lot_ids": [lot["id"] for lot in summary["lots"]]}
            found = {**kept, "id": None, "recorded_at": now, "recorded_by": by, **summary}
            if dry_run:
                raise _Undo
            row = imports.add({**kept, "summary": summary}, by, now)
            audit.note(None, "file imported", by, now, {"import": [row.id]})
            found |= _view(row)
    except _Undo:
        _forget_numbers(found, {spool.get("code") for item in draft.items for spool in item.get("spools") or ()})
    except Clash:
        # The same file came twice at once, and the other was faster.
        if (known := earlier(draft.digest, dry_run=dry_run)) is not None:
            return known
        raise
    return {**found, "dry_run": dry_run, "already_imported": False}


def _view(row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in _SHOWN}


def _forget_numbers(found: dict[str, Any], written: set[str | None]) -> None:
    """Takes out the numbers and codes that were given to what was undone: they will be given to something else."""
    new = {delivery["lot_id"] for delivery in found["deliveries"] if delivery["new_lot"]}
    for delivery in found["deliveries"]:
        delivery |= {"id": None, "lot_id": None if delivery["lot_id"] in new else delivery["lot_id"], "sample": None}
        delivery["spool_codes"] = [code for code in delivery["spool_codes"] if code in written]
    if found["kind"] == DELIVERIES:
        # What is to be measured depends on the sample, which will be drawn anew.
        for lot in found["lots"]:
            says = f"Lot {lot['supplier_lot']} {'would be new' if lot['id'] in new else 'is known and would get more spools'}."
            lot |= {"id": None if lot["id"] in new else lot["id"], "to_measure": [], "says": says}
    found["lot_ids"] = [number for number in found["lot_ids"] if number not in new]


def _refuse(draft: Draft, faults: Iterable[CellFault]) -> None:
    """Raises every fault once, in the order of rows and columns, when there is any."""
    order = {name: place for place, name in enumerate(draft.columns.values())}
    once = sorted(dict.fromkeys(faults), key=lambda f: (f.row or 0, order.get(f.column or "", -1)))
    if once:
        raise Invalid(*once)


def _check_readings(draft: Draft) -> None:
    """Raises every fault that shows before anything is stored, so that a file at fault holds up nobody who writes."""
    faults = draft.faults.copy()
    if len(faults) < MOST_FAULTS:
        faults += _find_instruments(draft)  # names the instruments of the items, too
        faults += _placed(draft, recording.faults_of(draft.kind, dict(enumerate(draft.items))))
    _refuse(draft, faults)


def _readings(draft: Draft, by: str) -> dict[str, Any]:
    try:
        stored = recording.record(draft.kind, draft.items, by, as_list=True, look_first=False)
    except Invalid as refused:  # by what somebody wrote since the file was checked
        raise Invalid(*_placed(draft, refused.faults) or refused.faults) from None
    warnings = [
        {"row": source.row, "column": said["field"], "detail": said["detail"], "hint": said["hint"]}
        for source, item in zip(draft.sources, stored["items"], strict=True)
        for said in item["warnings"]
    ]
    lines = [_lot_line(lot) for lot in stored["lots"]]
    return {"items": len(stored["items"]), "lots": lines, "deliveries": [], "warnings": warnings}


def _lot_line(lot: dict[str, Any]) -> dict[str, Any]:
    """A lot after the import, and in words what of it is loaded when it may not be."""
    names = ("id", "supplier_lot", "standing", "uses", "to_measure")
    reached = lot.get("exposure")
    return {
        **{name: lot[name] for name in names},
        "says": lot["says"],
        "exposure_says": reached["says"] if reached else None,
    }


def _find_instruments(draft: Draft) -> list[CellFault]:
    """Puts instruments in by their codes, and returns a fault for each row that names none there is."""
    if len(set(draft.codes.values())) > _MOST_INSTRUMENTS:
        detail = f"A file names at most {_MOST_INSTRUMENTS} instruments."
        return [fault(detail, "Split the file.", row=1, line=1, column=column_of(draft.columns, "instrument_code"))]
    known = {code: lookups.by_id_or_code("instrument", None, code) for code in dict.fromkeys(draft.codes.values())}
    faults = []
    for index, code in draft.codes.items():
        row, wrong = known[code]
        if wrong:
            faults.append(_at(draft.sources[index], "instrument_code", wrong[0]))
        else:
            draft.items[index]["instrument_id"] = row.id
    return faults


def _at(source: Source, column: str | None, wrong: Fault) -> CellFault:
    return fault(wrong.detail, wrong.hint, row=source.row, line=source.line, column=column)


def _placed(draft: Draft, faults: Iterable[Fault]) -> list[CellFault]:
    """Returns a desk's faults at the rows and columns they came from, without those that follow from a fault already found."""
    found = []
    for wrong in faults:
        at = _POINTER.fullmatch(wrong.pointer)
        if at is None:
            found.append(fault(wrong.detail, wrong.hint))
            continue
        if int(at[1]) >= len(draft.sources):
            continue
        source, path = draft.sources[int(at[1])], _narrowed(draft.kind, at[2] or "", wrong.detail)
        if source.is_broken(path):
            continue
        column = column_of(draft.columns, path)
        if _within_conditions(draft.kind, path) and path not in draft.columns:
            found.append(fault(wrong.detail, wrong.hint, column=column))  # said once for the file, so wrong once
        else:
            found.append(_at(source, column, wrong))
    return found


def _within_conditions(kind: str, path: str) -> bool:
    said = DECLARED[kind].of_type("conditions") if kind in DECLARED else None
    return said is not None and path.startswith(f"{said.name}/")


def _narrowed(kind: str, path: str, detail: str) -> str:
    """The part of a field that a sentence about the whole of it is about: a coordinate that has a column of its own, or a condition."""
    declared, begins = DECLARED.get(kind), detail.partition(" ")[0]
    field = declared.field(path) if declared else None
    if field is None:
        return path
    if field.type == "lab" and field.columns and begins in _COORDINATES:
        return f"{path}/{_COORDINATES.index(begins)}"
    is_condition = field.type == "conditions" and begins.isidentifier() and begins.islower()
    return f"{path}/{begins}" if is_condition else path


def column_of(columns: dict[str, str], path: str) -> str | None:
    """Returns the column that a field stands in, or the name it would have.

    Example:
        >>> column_of({"lab/0": "LAB_L"}, "lab/0"), column_of({"supplier_code": "supplier_code"}, "supplier_id")
        ('LAB_L', 'supplier_code')
    """
    if not path:
        return None
    around = path.partition("/")[0]
    other = f"{path.removesuffix('_id')}_code" if path.endswith("_id") else path
    return columns.get(path) or columns.get(other) or columns.get(around) or path.rpartition("/")[2]


def _deliveries(draft: Draft, by: str) -> dict[str, Any]:
    places = [(source.row, source.line) for source in draft.sources]
    alone = {index for index, source in enumerate(draft.sources) if source.broken}
    _refuse(draft, draft.faults if len(draft.faults) >= MOST_FAULTS else ())
    groups, faults = delivery_rows.grouped(draft.items, places, alone)
    faults = draft.faults + faults
    done = []
    for group in groups:
        try:
            done.append(receiving.receive(group.values(), by))
        except LotsError as refused:
            for wrong in refused.faults or (Fault("", refused.detail),):
                index, path = group.source_of(wrong.pointer)
                if not draft.sources[index].is_broken(path):
                    faults.append(_at(draft.sources[index], column_of(draft.columns, path), wrong))
    _refuse(draft, faults)
    last = {made["lot"]["id"]: made["lot"] for made in done}
    return {
        "items": len(done),
        "lots": [_lot_line(lot_after.after(lookups.lot_of(number))) for number in last],
        "deliveries": [
            {
                "id": made["id"],
                "lot_id": made["lot"]["id"],
                "supplier_lot": made["lot"]["supplier_lot"],
                "new_lot": made["new_lot"],
                "spool_codes": [spool["code"] for spool in made["spools"]],
                "sample": made["sample"],
            }
            for made in done
        ],
        "warnings": [],
    }
