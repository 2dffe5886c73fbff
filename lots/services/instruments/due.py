"""Due dates of instruments, masters and working copies, the most urgent first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TypedDict

from lots.domain.instruments.calibration import Check, InstrumentRecord
from lots.domain.words import counted, moment
from lots.services import clock
from lots.services.instruments import reference_words
from lots.services.instruments.plaques import Due, ReferenceShelf
from lots.services.views import View
from lots.store.instruments import references as store
from lots.store.setup import catalog
from lots.store.tables.models import Instrument, InstrumentCheck

_PURPOSE = {"check": "a check", "interval": "remeasurement"}
_REMEDY = {"master": reference_words.RENEW_MASTER, "working_copy": reference_words.RENEW_COPY}


class _Item(TypedDict):
    """An instrument or plaque with a due date."""

    what: str
    instrument_id: int | None
    shade_id: int | None
    code: str
    due_at: datetime
    says: str
    why: str


class _Line(_Item):
    overdue: bool


def due() -> View:
    """Returns every instrument and plaque with a due date, the earliest first. Six queries.

    An instrument is due when its last passed check expires, a plaque when its interval after the last agreement ends.
    After a failed check
    or a movement it is due at once.
    """
    now = clock.now()
    items = [_instrument(row, checks) for row, checks in catalog.instruments_with_checks()]
    items += [_plaque(entry) for entry in ReferenceShelf(store.scheduled()).due()]
    items.sort(key=lambda item: (item["due_at"], item["what"], item["code"]))
    lines = [_line(item, now) for item in items]
    late = sum(line["overdue"] for line in lines)
    return {"as_of": now, "items": lines, "overdue": late, "says": _says(late)}


def instruments_overdue(now: datetime) -> list[tuple[Instrument, datetime]]:
    """Returns the instruments whose check is overdue, each with its due date. One query."""
    dated = [(row, _record(row, checks).due_at) for row, checks in catalog.instruments_with_checks()]
    return [(row, at) for row, at in dated if at < now]


def _record(row: Instrument, checks: Sequence[InstrumentCheck]) -> InstrumentRecord:
    known = [Check(check.checked_at, check.result == "pass") for check in checks]
    return InstrumentRecord(row.code, row.recorded_at, row.check_interval_days, known)


def _instrument(row: Instrument, checks: Sequence[InstrumentCheck]) -> _Item:
    return {
        "what": "instrument",
        "instrument_id": row.id,
        "shade_id": None,
        "code": row.code,
        "due_at": _record(row, checks).due_at,
        "says": f"Instrument {row.code}",
        "why": "check",
    }


def _plaque(entry: Due) -> _Item:
    shade, plaque = entry.shade, entry.plaque
    what, code = ("master", shade.code) if plaque.code is None else ("working_copy", plaque.code)
    name = f"The master of {shade.code}" if plaque.code is None else f"Working copy {code} of {shade.code}"
    return {
        "what": what,
        "instrument_id": None,
        "shade_id": shade.id,
        "code": code,
        "due_at": entry.at,
        "says": name,
        "why": "moved" if entry.moved else "interval",
    }


def _line(item: _Item, now: datetime) -> _Line:
    overdue = item["due_at"] < now
    if item["why"] == "moved":
        says = f"{item['says']} is due now. It had moved when measured at {moment(item['due_at'])}. {_REMEDY[item['what']]}"
        return {**item, "overdue": overdue, "says": says}
    verb, word = ("has been", "since") if overdue else ("is", "by")
    says = f"{item['says']} {verb} due for {_PURPOSE[item['why']]} {word} {moment(item['due_at'])}."
    return {**item, "overdue": overdue, "says": says}


def _says(late: int) -> str:
    if not late:
        return "Nothing is overdue."
    return f"{counted(late, 'item is', 'items are')} overdue."


def instruments() -> list[View]:
    """Returns every instrument with its last check and the due date of the next. One query."""
    now = clock.now()
    dated = [
        (row, max(checks, key=lambda check: check.checked_at, default=None), _record(row, checks).due_at)
        for row, checks in catalog.instruments_with_checks()
    ]
    return [
        {
            "id": row.id,
            "code": row.code,
            "kind": row.kind,
            "last": last and {"checked_at": last.checked_at, "result": last.result},
            "due_at": at,
            "overdue": at < now,
        }
        for row, last, at in dated
    ]


def references() -> list[_Line]:
    """Returns the masters and working copies with a due date, the earliest first. Five queries."""
    now = clock.now()
    items = [_plaque(entry) for entry in ReferenceShelf(store.scheduled()).due()]
    return [_line(item, now) for item in sorted(items, key=lambda item: (item["due_at"], item["what"], item["code"]))]
