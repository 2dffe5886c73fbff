"""Conversion of the form of the bench to readings, with the row of each."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from lots.domain.characteristics.declaring.declaration import Characteristic, Entry
from lots.pages.readings.bench_answers import parts_of
from lots.pages.site.place import moment_typed, number

# The most rows of the form.
MOST_ROWS = 60
_ROW = re.compile(r"(.+)-(\d{1,3})")


def written_rows(kind: Characteristic, form: Mapping[str, str]) -> list[int]:
    """Returns the rows with a number or a word in them, in order."""
    written = {entry.name for entry in kind.form.row if entry.form in ("number", "text")}
    places = [
        (found[1], int(found[2])) for name, text in form.items() if text.strip() and (found := _ROW.fullmatch(name))
    ]
    return sorted({row for name, row in places if name in written and row < MOST_ROWS})


def rows_shown(kind: Characteristic, form: Mapping[str, str], wanted: int = 0) -> int:
    """Returns how many rows to show: those still needed on the spool, else those of the form, and one more than are filled.

    Args:
        wanted: readings that the limits still need on this spool; 0 if complete.
    """
    filled = written_rows(kind, form)
    of_spool = any(one.counts == "spool" for one in kind.limits.fields)
    usual = wanted if wanted and of_spool else kind.form.rows
    return min(MOST_ROWS, max(usual, filled[-1] + 2 if filled else 0))


def readings_of(
    kind: Characteristic, form: Mapping[str, str], label: Mapping[str, Any]
) -> tuple[list[dict[str, Any]], list[int]]:
    """Returns the typed readings and the row of each. Empty rows are left out, except the first.

    Raises:
        Invalid: a time that the clock of the site showed twice or never.
    """
    shared: dict[str, Any] = {"spool_code": label["spool_code"], "screening": form.get("screening") == "on"}
    if form.get("instrument_id"):
        shared["instrument_id"] = number(form["instrument_id"])
    if note := form.get("note", "").strip():
        shared["note"] = note
    if at := form.get("measured_at", "").strip():
        shared["measured_at"] = moment_typed("/measured_at", at)
    shared |= _values(kind.form.shared, form, "")
    rows = written_rows(kind, form) or [0]
    readings = [{**shared, **_values(kind.form.row, form, f"-{row}")} for row in rows]
    conditions = kind.of_type("conditions")
    for reading in readings:
        for field, parts in parts_of(kind).items():
            reading[field] = [reading.pop(part, None) for part in parts]
        if conditions:
            reading[conditions.name] = label["color_conditions"]
    return readings, rows


def _values(entries: tuple[Entry, ...], form: Mapping[str, str], end: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for entry in entries:
        text = form.get(f"{entry.name}{end}", "").strip()
        if entry.form == "tick":
            found[entry.name] = text == "on"
        elif text:
            found[entry.name] = number(text) if entry.form == "number" else text
    return found
