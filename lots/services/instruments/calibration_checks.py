"""Calibration checks of instruments. Lots with suspect readings are assessed again at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import NotRequired, TypedDict

from lots.domain.characteristics.registry import DECLARED, declared_of
from lots.domain.instruments.uncertainty import Found, known_uncertainty, studied_measures_of_kind
from lots.domain.words import counted, moment
from lots.services import clock
from lots.services import exposure as tracing
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import LotAfter, after
from lots.services.assessment.uncertainty import found_by_instrument
from lots.services.errors import Invalid
from lots.services.lookups import found
from lots.services.setup import catalog as catalog_service
from lots.services.setup import views
from lots.services.views import View
from lots.store import audit, readings
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.instruments import studies
from lots.store.setup import catalog
from lots.store.tables.models import Instrument


class Checked(TypedDict):
    """A check of an instrument: its time and its result."""

    checked_at: datetime
    result: str
    artefact: NotRequired[str | None]
    readings: NotRequired[list[object] | None]
    note: NotRequired[str | None]


class _Touched(LotAfter, total=False):
    standing_before: str


def add_check(instrument_id: int, values: Checked, by: str) -> View:
    """Records a check of an instrument, and assesses again every lot whose readings it affects.

    A failed check makes every reading since the last passed check suspect. These lots are assessed without them in the
    same transaction,
    and listed with every machine and job that they reached.

    Raises:
        NotFound: no such instrument.
        Invalid: the time of the check is in the future.
    """
    now = clock.now()
    if faults := clock.doubt_future("/checked_at", values["checked_at"], now):
        raise Invalid(*faults)
    with transaction():
        instrument = found("instrument", instrument_id)
        catalog.lock("instrument", instrument.id)
        passed, at = values["result"] == "pass", values["checked_at"]
        since, until = _neighbours(instrument.id, at)
        check = catalog.add_check(instrument, {**values}, by, now)
        held = lots.lock(readings.lots_read_with(instrument.id, since, until))
        word = "passed" if passed else "failed"
        reason = f"Instrument {instrument.code} {word} its check of {moment(at)}."
        touched: list[_Touched] = []
        for lot in held.values():
            before = lot.standing
            judge_lot(lot, by, now, reason=reason)
            exposure = tracing.exposure(lot)
            touched.append({**after(lot), "standing_before": before, "exposure": exposure})
        audit.note(None, "instrument checked", by, now, {"instrument_check": [check.id]})
        return {
            **views.check(check),
            "lots": touched if not passed else [t for t in touched if t["standing_before"] != t["standing"]],
        }


def _neighbours(instrument_id: int, at: datetime) -> tuple[datetime | None, datetime | None]:
    """Returns the checks before and after a time. A check affects only readings between these two."""
    times = [row.checked_at for row in catalog.all_checks([instrument_id])[instrument_id]]
    return max((t for t in times if t < at), default=None), min((t for t in times if t > at), default=None)


def suspect(instrument_id: int, checked_at: datetime | None) -> View:
    """Returns the lots whose readings a failed check would make suspect. Stores nothing. Four queries.

    Args:
        checked_at: time of the check, None for now.

    Raises:
        NotFound: no such instrument.
    """
    instrument, at = found("instrument", instrument_id), checked_at or clock.now()
    since, until = _neighbours(instrument.id, at)
    counts = readings.counts_read_with(instrument.id, since, until)
    rows = sorted(lots.all_with_names(counts).values(), key=lambda row: row.id)
    total = sum(counts.values())
    says = (
        f"{counted(total, 'reading')} of {counted(len(rows), 'lot')} would be suspect and would no longer count."
        if total
        else "No reading would be suspect."
    )
    return {
        "instrument_id": instrument.id,
        "checked_at": at,
        "since": since,
        "until": until,
        "says": says,
        "lots": [
            {"lot_id": row.id, "supplier_lot": row.supplier_lot, "standing": row.standing, "readings": counts[row.id]}
            for row in rows
        ],
    }


def listed(cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of instruments with the uncertainty in force of each. Two queries."""
    page = catalog.listed(Instrument, cursor, limit)
    known = _found_of(row.id for row in page.rows)
    return page.map(lambda row: _view(row, known.get(row.id, [])))


def add(values: dict[str, object], by: str) -> View:
    """Adds an instrument.

    Raises:
        AlreadyThere: its code is taken.
    """
    made = catalog_service.add_row("instrument", values, by)
    return _view(found("instrument", made.id), [])


def change(number: int, version: int, values: Mapping[str, object], by: str) -> View:
    """Changes an instrument that still has `version`. New characteristics and a new interval apply to later readings.

    Raises:
        NotFound: no such instrument.
        Stale: it was changed meanwhile.
        Settled: its readings depend on the fields to change.
    """
    catalog_service.change("instrument", number, version, values, by)
    return get(number)


def get(number: int) -> View:
    """Returns an instrument.

    Raises:
        NotFound: no such instrument.
    """
    row = found("instrument", number)
    return _view(row, _found_of([row.id]).get(row.id, []))


def _found_of(numbers: Iterable[int]) -> dict[int, list[Found]]:
    """Returns the results of the valid repeatability studies of these instruments, by instrument. One query."""
    return found_by_instrument(studies.of_repeatability(numbers))


def _view(row: Instrument, known: Sequence[Found]) -> View:
    """Returns an instrument with its current standard uncertainty for each characteristic stated or studied."""
    kinds = studied_measures_of_kind(row.kind)
    if row.measures is not None:
        kinds = tuple(name for name in row.measures if DECLARED[name].studied)
    elif kinds is None:
        kinds = tuple(dict.fromkeys(declared_of(one.measure).name for one in known))
    return {**views.instrument(row), "in_force": [_in_force(row, kind, known) for kind in kinds]}


def _in_force(row: Instrument, kind: str, known: Sequence[Found]) -> View:
    now = known_uncertainty(kind, clock.now(), row.standard_uncertainty, known)
    source = "study" if now.study else "stated" if now.u is not None else "none"
    return {
        "characteristic": kind,
        "standard_uncertainty": now.u,
        "unit": DECLARED[kind].studied[0].unit,
        "source": source,
        "study_id": now.study and now.study.number,
        "measure": now.study and now.study.measure,
    }


def checks(instrument_id: int, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of an instrument's checks."""
    return catalog.checks(found("instrument", instrument_id), cursor, limit).map(views.check)
