"""Entries in the history for instruments that became due.

The server checks at intervals, because no request causes them.
"""

from __future__ import annotations

from datetime import datetime

from lots.domain.production.changes import instrument_due
from lots.services import clock
from lots.services.instruments.due import instruments_overdue
from lots.store import audit
from lots.store.engine.database import transaction
from lots.store.tables.models import Instrument

SERVER = "lots serve"
_WHAT = "instrument due"


def note_due() -> None:
    """Adds an entry for each instrument whose check is overdue, once per due date. Two queries where there is none.

    Safe in several processes, because each reads the last entry under the lock of the shop's chain.
    """
    now = clock.now()
    if not _not_noted(now):
        return
    with transaction():
        audit.hold(audit.SHOP)
        # Another process may have been faster.
        unsaid = _not_noted(now)
        if not unsaid:
            return
        told = [instrument_due(row.id, row.code, at) for row, at in unsaid]
        said = _noted() | {str(change["instrument_id"]): change["after"]["due_at"] for change in told}
        rows = {"instrument": [row.id for row, _ in unsaid]}
        audit.note(None, _WHAT, SERVER, now, rows, {"due": said}, told)


def _not_noted(now: datetime) -> list[tuple[Instrument, datetime]]:
    """Returns the overdue instruments whose due date has no entry."""
    overdue = instruments_overdue(now)
    said = _noted() if overdue else {}
    return [
        (row, at)
        for row, at in overdue
        if said.get(str(row.id)) != instrument_due(row.id, row.code, at)["after"]["due_at"]
    ]


def _noted() -> dict[str, str]:
    """Returns the last due date in an entry, by the instrument's number. One query."""
    last = audit.last_of(_WHAT)
    values = last.content["values"] if last else {}
    due = values.get("due")
    return {str(number): str(day) for number, day in due.items()} if isinstance(due, dict) else {}
