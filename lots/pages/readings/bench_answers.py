"""The bench: what the API said of an entry, at the fields it was typed in, and carried over to the page that shows what was stored."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from lots.pages.site.api_client import Answer, Said, ask, at
from lots.pages.site.session import pack, unpack

if TYPE_CHECKING:
    from lots.pages.readings.bench import Kind

# Kind -> field of its readings -> the three fields of the form that make it.
TRIPLES: dict[str, dict[str, tuple[str, ...]]] = {
    "color": {"lab": ("L", "a", "b")},
    "opacity": {f"over_{backing}": tuple(f"{backing}_{axis}" for axis in "Lab") for backing in ("black", "white")},
}
# What every kind has, beside the instrument; only the instrument is kept for the next entry.
ONCE = ("screening", "measured_at", "note")


def faults(told: Sequence[dict[str, Any]], kind: Kind, rows: Sequence[int]) -> dict[str, list[str]]:
    """Returns what the API refused, at the field it was typed in; under "" what belongs to none.

    Args:
        told: the faults, pointing into the list of readings.
        kind: what was measured.
        rows: the row of the form that each reading was typed in.
    """
    in_rows = {field.name for field in kind.row}
    shared = {field.name for field in kind.shared} | {"instrument_id", *ONCE}
    triples = TRIPLES.get(kind.word, {}).items()
    places = {field: parts[0] for field, parts in triples}
    places |= {f"{field}/{place}": part for field, parts in triples for place, part in enumerate(parts)}
    found: dict[str, list[str]] = {}
    for fault in told:
        index, _, path = fault["pointer"].strip("/").partition("/")
        name = places.get(path, path)
        if index.isdigit() and int(index) < len(rows) and name in in_rows:
            name = f"{name}-{rows[int(index)]}"
        elif name not in shared:
            name = ""
        said = " ".join(filter(None, (fault["detail"], fault.get("hint"))))
        # What is typed once is refused once for every row.
        if said not in found.setdefault(name, []):
            found[name].append(said)
    return found


def first_at_fault(found: dict[str, list[str]], kind: Kind) -> str:
    """Returns the first field of the form that is at fault, in the order of the page; empty when none is."""
    order = ["instrument_id", *(field.name for field in kind.shared)]
    order += [f"{field.name}-{row}" for row in range(kind.rows) for field in kind.row]
    return next((name for name in (*order, "note", "measured_at") if found.get(name)), "")


def for_address(done: Answer, kept: dict[str, str]) -> str:
    """Returns what the page tells of an entry that was stored, for its address; `kept` is what the next entry begins with."""
    lots = [
        {name: lot[name] for name in ("id", "supplier_lot", "standing", "uses", "says", "to_measure")}
        | {"exposure": lot["exposure"]["says"] if lot.get("exposure") else ""}
        for lot in done.body["lots"]
    ]
    left_out = {"recorded_at", "recorded_by", "measured_at", "note", "conditions", "spectrum", "voided", "excluded"}
    items = [{name: part for name, part in one.items() if name not in left_out} for one in done.body["items"]]
    return pack({"items": items, "lots": lots, "kept": kept})


def of_address(text: str) -> tuple[dict[str, str], Answer | None]:
    """Returns what `for_address` was given. A lot that has moved since is told as it stands now."""
    told = unpack(text) if text else None
    if told is None:
        return {}, None
    body = json.loads(json.dumps(told), object_hook=Said)
    for lot in body["lots"]:
        now = ask("GET", at("lots", lot["id"])).body
        if now.get("standing") != lot["standing"]:
            lot |= {"standing": now["standing"], "uses": now["uses"], "exposure": ""}
            lot["says"] = f"Lot {lot['supplier_lot']} has moved on since this was stored."
    return body["kept"], Answer(200, body)
