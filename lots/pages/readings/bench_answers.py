"""The bench: what came of an entry, at the fields it was typed in, and carried over to the page that shows what was stored."""

from __future__ import annotations

from collections.abc import Sequence

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.pages.site.calls import Shown, Told
from lots.pages.site.session import pack, unpack
from lots.services.assessment.lot_after import stands
from lots.services.receiving import receiving

# What every kind has, beside the instrument; only the instrument is kept for the next entry.
ONCE = ("screening", "measured_at", "note")


def parts_of(kind: Characteristic) -> dict[str, list[str]]:
    """Returns the entries that make up one field of a reading, by field, such as L, a and b of lab."""
    found: dict[str, list[str]] = {}
    for entry in (*kind.form.shared, *kind.form.row):
        if entry.part_of:
            found.setdefault(entry.part_of, []).append(entry.name)
    return found


def faults(told: Sequence[Told], kind: Characteristic, rows: Sequence[int]) -> dict[str, list[str]]:
    """Returns what was refused, at the field it was typed in; under "" what belongs to none.

    Args:
        told: the faults, pointing into the list of readings.
        kind: what was measured.
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
        name = places.get(path, path)
        if index.isdigit() and int(index) < len(rows) and name in in_rows:
            name = f"{name}-{rows[int(index)]}"
        elif name not in shared:
            name = ""
        said = fault.says if name or not fault.label else f"{fault.label}: {fault.says}"
        # What is typed once is refused once for every row.
        if said not in found.setdefault(name, []):
            found[name].append(said)
    return found


def first_at_fault(found: dict[str, list[str]], kind: Characteristic) -> str:
    """Returns the first field of the form that is at fault, in the order of the page; empty when none is."""
    order = ["instrument_id", *(entry.name for entry in kind.form.shared)]
    order += [f"{entry.name}-{row}" for row in range(kind.form.rows) for entry in kind.form.row]
    return next((name for name in (*order, "note", "measured_at") if found.get(name)), "")


def for_address(done: Shown, kept: dict[str, str], kind: Characteristic) -> str:
    """Returns what the page tells of an entry that was stored, for its address; `kept` is what the next entry begins with."""
    lots = [
        {name: lot[name] for name in ("id", "supplier_lot", "standing", "uses", "to_measure")}
        | {"says": stands(lot), "exposure": lot["exposure"]["says"] if lot.get("exposure") else ""}
        for lot in done["lots"]
    ]
    told = ("id", "spool_code", "lot_id", "to_confirm", "warnings")
    items = [{name: one.get(name) for name in told} | {"says": kind.says(one)} for one in done["items"]]
    return pack("entry", {"readings": items, "lots": lots, "kept": kept})


def of_address(text: str) -> tuple[dict[str, str], Shown | None]:
    """Returns what `for_address` was given. A lot that has moved since is told as it stands now."""
    told = unpack("entry", text)
    if told is None:
        return {}, None
    for lot in told["lots"]:
        now = receiving.get_lot(lot["id"])
        if now["standing"] != lot["standing"]:
            lot |= {"standing": now["standing"], "uses": now["uses"], "exposure": ""}
            lot["says"] = f"Lot {lot['supplier_lot']} has moved on since this was stored."
    return told["kept"], told
