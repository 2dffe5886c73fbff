"""Results of an entry at the bench: faults by field, and the message that the next page shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.declaring.scales import Scale
from lots.pages.site.calls import Shown, Told
from lots.pages.site.session import pack, unpack
from lots.services.assessment.lot_after import status_sentences
from lots.services.receiving import receiving

# Fields of every kind besides the instrument. They are not kept for the next entry.
ONCE = ("screening", "measured_at", "note")


def parts_of(kind: Characteristic) -> dict[str, list[str]]:
    """Returns the entries that make up one field of a reading, by field, such as L, a and b of lab."""
    found: dict[str, list[str]] = {}
    for entry in (*kind.form.shared, *kind.form.row):
        if entry.part_of:
            found.setdefault(entry.part_of, []).append(entry.name)
    return found


def faults(told: Sequence[Told], kind: Characteristic, rows: Sequence[int]) -> dict[str, list[str]]:
    """Returns the faults by the field of the form; "" holds those without a field.

    Args:
        told: the faults, pointing into the list of readings.
        kind: the characteristic.
        rows: the row of the form that each reading was typed in.
    """
    in_rows = {entry.name for entry in kind.form.row}
    shared = {entry.name for entry in kind.form.shared} | {"instrument_id", *ONCE}
    made = parts_of(kind).items()
    places = {field: parts[0] for field, parts in made}
    places |= {f"{field}/{place}": part for field, parts in made for place, part in enumerate(parts)}
    found: dict[str, list[str]] = {}
    for fault in told:
        index, _, path = fault.pointer.strip("/").partition("/")
        # A fault of a shared field may point to no reading.
        path = path if index.isdigit() else index
        name = places.get(path, path)
        if index.isdigit() and int(index) < len(rows) and name in in_rows:
            name = f"{name}-{rows[int(index)]}"
        elif name not in shared:
            name = ""
        # The spool was scanned before, and its faults name it.
        said = fault.says if name or path == "spool_code" or not fault.label else f"{fault.label}: {fault.says}"
        # A shared field has the same fault once for each row.
        if said not in found.setdefault(name, []):
            found[name].append(said)
    return found


def checked_row(reading: Shown, kind: Characteristic, scales: Sequence[Scale]) -> Shown:
    """Returns the result of checking a row: the reading in words, why it would not count, warnings, and its values on their scales."""
    told = {name: reading[name] for name in ("counts", "why_not", "warnings")}
    # A field such as lab is typed in parts, which scales name.
    values = {**reading, **{part: reading[field] for field, parts in parts_of(kind).items() for part in parts}}
    drawn = [
        {"scale": scale, "entry": entry, "value": value} for scale in scales for entry, value in scale.values(values)
    ]
    return {**told, "says": kind.says(reading), "drawn": drawn}


def first_at_fault(found: dict[str, list[str]], kind: Characteristic, rows: int) -> str:
    """Returns the first field with a fault, in the order of a page with so many rows; "" without faults."""
    order = ["instrument_id", *(entry.name for entry in kind.form.shared)]
    order += [f"{entry.name}-{row}" for row in range(rows) for entry in kind.form.row]
    return next((name for name in (*order, "note", "measured_at") if found.get(name)), "")


def for_address(done: Shown, kept: dict[str, str], kind: Characteristic) -> str:
    """Returns the result of a stored entry as text for an address. `kept` is the initial form of the next entry of this kind."""
    told = ("id", "spool_code", "lot_id", "to_confirm", "warnings", "counts", "why_not")
    items = [{name: one.get(name) for name in told} | {"says": kind.says(one)} for one in done["items"]]
    lots = [_lot_told(lot) for lot in done["lots"]]
    return pack("entry", {"kind": kind.name, "readings": items, "lots": lots, "kept": kept})


def _lot_told(lot: Any) -> dict[str, object]:
    said = {name: lot[name] for name in ("id", "supplier_lot", "standing", "uses", "to_measure")}
    return said | {"says": status_sentences(lot), "exposure": lot["exposure"]["says"] if lot.get("exposure") else ""}


def of_address(text: str) -> Shown | None:
    """Returns the result that `for_address` was given, with the present status of its lots; None for anything else."""
    told: Shown | None = unpack("entry", text)
    for lot in told["lots"] if told else ():
        now = receiving.get_lot(lot["id"])
        if now["standing"] != lot["standing"]:
            lot |= {"standing": now["standing"], "uses": now["uses"], "exposure": ""}
            lot["says"] = f"The status of lot {lot['supplier_lot']} has changed since this was stored."
    return told


def without(text: str, number: int, lot: Shown) -> str:
    """Returns the result in an address without a voided reading; "" when no reading is left.

    Args:
        text: as `for_address` returned it.
        number: of the reading.
        lot: in its present state.
    """
    told = unpack("entry", text)
    if told is None:
        return ""
    left = [one for one in told["readings"] if one["id"] != number]
    lots = [_lot_told(lot) if one["id"] == lot["id"] else one for one in told["lots"]]
    return pack("entry", {**told, "readings": left, "lots": lots}) if left else ""
