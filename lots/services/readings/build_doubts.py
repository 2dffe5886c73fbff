"""Suspect builds.

A control print outside its control chart raises a doubt, and quality lifts it. Prints of the build do not count until
then.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from lots.domain.characteristics.declaring.declaration import Characteristic
from lots.domain.characteristics.registry import DECLARED
from lots.domain.conformity.findings import decimals_of, shown
from lots.domain.instruments.control_prints import Outside, builds_of, outside_chart
from lots.domain.words import clause
from lots.services import clock
from lots.services.assessment.judging import judge_lot
from lots.services.assessment.lot_after import LotAfter, after
from lots.services.assessment.lot_assessment import reading_from
from lots.services.errors import Conflict, NotFound
from lots.services.views import View, recorded
from lots.store import audit
from lots.store.assessment import build_doubts as store
from lots.store.assessment import lots
from lots.store.engine.database import transaction
from lots.store.engine.paging import Page
from lots.store.readings import NewReading
from lots.store.tables.models import BuildDoubt

# Control prints read for a chart: enough for about thirty builds of several prints.
_LOOKS_BACK = 400


def raised(declared: Characteristic, rows: Sequence[NewReading], by: str, now: datetime) -> list[BuildDoubt]:
    """Returns the doubts raised by new control prints, one for each build outside its chart.

    Two queries for each printer and recipe with new control prints that name recipe and build, otherwise none.

    Args:
        declared: characteristic measured.
        rows: readings as stored.
        by: person who measured.
        now: the present time.

    Notes:
        Runs inside the caller's transaction. Earlier suspect builds are left out of the chart.
    """
    new: dict[str, dict[str, Mapping[str, object]]] = {}
    for row in rows:
        if row["control_of"] and row["build_key"] and row["values"].get("test_print") and not row["screening"]:
            new.setdefault(row["control_of"], {})[row["build_key"]] = row["values"]
    return [doubt for chart, builds in new.items() for doubt in _of_chart(declared, chart, builds, by, now)]


def _of_chart(
    declared: Characteristic, chart: str, builds: Mapping[str, Mapping[str, object]], by: str, now: datetime
) -> list[BuildDoubt]:
    """Returns the doubts about new builds of one printer and recipe."""
    kept = store.controls(declared.name, chart, _LOOKS_BACK)
    doubted = set(store.known(row.build_key for row in kept if row.build_key))
    every = builds_of(declared, ((row.build_key, reading_from(row)) for row in kept if row.build_key))
    found = []
    for place, one in enumerate(every):
        if one.build not in builds or one.build in doubted:
            continue
        outside = outside_chart(one, [other for other in every[:place] if other.build not in doubted])
        if outside:
            says = _says(builds[one.build], outside)
            found.append(store.add({"kind": declared.name, "build_key": one.build, "says": says}, by, now))
            doubted.add(one.build)
    return found


def _says(values: Mapping[str, object], outside: Outside) -> str:
    digits = decimals_of(outside.figure)
    low, high, value = (shown(one, digits) for one in (outside.low, outside.high, outside.value))
    what = DECLARED[outside.figure.partition(".")[0]].repeats
    label = next((one.label for one in what.figures if one.code == outside.figure), outside.figure)
    unit = next((f" {one.unit}" for one in what.figures if one.code == outside.figure and one.unit), "")
    return (
        f"Build {values['build']} on printer {values['printer']} is in doubt: the {label} of the control is {value}{unit}, "
        f"outside its limits {low} to {high}{unit} (from {outside.n} earlier builds of {values['test_print']})."
    )


def judge_others(found: Sequence[BuildDoubt], but: Collection[int], by: str, now: datetime) -> list[LotAfter]:
    """Assesses again the lots with prints of these builds, except those in `but`, and returns them.

    Runs in the caller's transaction.
    """
    others = {number for row in found for number in store.lots_of(row.build_key)} - set(but)
    held = lots.lock(others) if others else {}
    reason = " ".join(row.says for row in found)
    return [after(lot, judge_lot(lot, by, now, reason=reason)[0]) for lot in held.values()]


def note(found: Sequence[BuildDoubt], by: str, now: datetime) -> None:
    """Adds doubts to the shop's history, after the lots were assessed."""
    if found:
        audit.note(None, "build in doubt", by, now, {"build_doubt": [row.id for row in found]})


def lift(number: int, reason: str, by: str) -> View:
    """Lifts a doubt, so that the prints of the build count again, and assesses their lots again.

    Raises:
        NotFound: the doubt does not exist.
        Conflict: it is already lifted.
    """
    now = clock.now()
    with transaction():
        row = _found(number)
        held = lots.lock(store.lots_of(row.build_key))
        if not store.lift(row, reason, by, now):
            raise Conflict(f"Doubt {number} is already lifted. Nothing more needs to be done.")
        why = f"Doubt about a build lifted: {clause(reason)}"
        stand = [after(lot, judge_lot(lot, by, now, reason=why)[0]) for lot in held.values()]
        audit.note(None, "build cleared", by, now, {"build_doubt": [row.id]})
        return {**_view(store.find(number) or row), "lots": stand}


def _found(number: int) -> BuildDoubt:
    row = store.find(number)
    if row is None:
        raise NotFound(f"Doubt {number} does not exist. See the list of suspect builds.")
    return row


def get(number: int) -> View:
    """Returns a doubt. One query.

    Raises:
        NotFound: the doubt does not exist.
    """
    return _view(_found(number))


def listed(in_force: bool | None, cursor: str | None, limit: int) -> Page[View]:
    """Returns a page of doubts in the order they were raised. One query."""
    return store.listed(in_force, cursor, limit).map(_view)


def _view(row: BuildDoubt) -> View:
    return {
        "id": row.id,
        "kind": row.kind,
        "says": row.says,
        "lifted_at": row.lifted_at,
        "lifted_by": row.lifted_by,
        "lifted_reason": row.lifted_reason,
        **recorded(row),
    }
