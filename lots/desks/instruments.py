"""Checks of instruments: what a failed one puts in doubt is judged again at once."""

from __future__ import annotations

from typing import Any

from lots.desks import clock, tracing, views
from lots.desks.bench import after
from lots.desks.catalog import found
from lots.desks.errors import Invalid
from lots.desks.judging import judge_lot
from lots.desks.words import moment
from lots.store import catalog, history, lots, readings
from lots.store.database import transaction
from lots.store.paging import Page


def add_check(instrument_id: int, values: dict[str, Any], by: str) -> dict[str, Any]:
    """Records a check of an instrument, and judges again every lot whose readings it puts in another light.

    A failed check puts every reading since the last good one in doubt: those lots are judged without them in the same transaction, and
    listed with every machine and job they have reached.

    Raises:
        NotFound: no such instrument.
        Invalid: it is said to have been checked in the future.
    """
    now = clock.now()
    if faults := clock.doubt_future("/checked_at", values["checked_at"], now):
        raise Invalid(*faults)
    with transaction():
        instrument = found("instrument", instrument_id)
        catalog.lock("instrument", instrument.id)
        times = [row.checked_at for row in catalog.all_checks([instrument.id])[instrument.id]]
        passed, at = values["result"] == "pass", values["checked_at"]
        # A reading is judged by the checks next to it, so this one touches those between its neighbours, and no others.
        since, until = max((t for t in times if t < at), default=None), min((t for t in times if t > at), default=None)
        check = catalog.add_check(instrument, values, by, now)
        held = lots.lock(readings.lots_read_with(instrument.id, since, until))
        word = "passed" if passed else "failed"
        reason = f"Instrument {instrument.code} {word} its check of {moment(at)}."
        touched = []
        for lot in held.values():
            before = lot.standing
            judge_lot(lot, by, now, reason=reason)
            exposure = tracing.exposure(lot)
            touched.append({**after(lot), "standing_before": before, "exposure": exposure})
        history.note(None, "instrument checked", by, now, {"instrument_check": [check.id]})
        return {
            **views.check(check),
            "lots": touched if not passed else [t for t in touched if t["standing_before"] != t["standing"]],
        }


def checks(instrument_id: int, cursor: str | None, limit: int) -> Page:
    """Returns a page of an instrument's checks."""
    return catalog.checks(found("instrument", instrument_id), cursor, limit).map(views.check)
